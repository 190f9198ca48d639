# Processes that share open files, and with them one position in each.
{
    echo 'from the shell'
    ( echo 'from a subshell' )
    /bin/echo 'from a program'
    ( /bin/echo 'from a grandchild'; echo 'and after it' )
} > shared.txt
exec 3<> both.txt
echo 'abcdef' >&3
/bin/echo 'ghi' >&3
exec 4< both.txt
read -r line <&4
cat <&4 > rest.txt
exec 4<&-
exec 5>> log.txt
for name in one two three; do
    ( echo "begin $name"; /bin/echo "end $name" ) >&5 &
done
wait
echo "$line" >&5
exec 6>&5 5>&-
/bin/echo 'through a copy of the descriptor' >&6
exec 6>&-
seq 1 20 | tee counted.txt | tail -n 3 > last.txt
cd ..
/bin/echo 'by a full path' >> data/log.txt
