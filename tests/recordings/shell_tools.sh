# Small tools that change files in every way a shell script can.
printf 'first line\nsecond line\n' > notes.txt
echo 'third line' >> notes.txt
cp notes.txt copy.txt
mv copy.txt moved.txt
sed -i 's/second/2nd/' notes.txt
printf 'XYZ' | dd of=moved.txt bs=1 seek=6 conv=notrunc
truncate -s 100 moved.txt
truncate -s 12 notes.txt
echo 'added by tee' | tee -a moved.txt second.txt
cat notes.txt moved.txt second.txt >> all.txt
mkdir archive
mv all.txt archive/all.txt
sort -r -o archive/sorted.txt notes.txt
echo gone > gone.txt
rm gone.txt
cp -r archive older
mv older oldest
printf '\000\001\377"quoted" \\ back\t\303\251\n' > bytes.bin
dd if=/dev/zero of=gap.bin bs=64 seek=3 count=1
fallocate -l 300 room.bin
ls nothing.txt
cat notes.txt
true
