"""What stands for the program `simfs` in a shell: it hands its words, directory, environment and streams to the server,
and ends as the command ended. Run with `-IS`, it starts in a few milliseconds, so it imports little."""

import _socket
import os
import sys
from array import array

connection = _socket.socket(_socket.AF_UNIX, _socket.SOCK_SEQPACKET)
connection.connect(sys.argv[1])
words = [os.fsencode(word) for word in sys.argv[2:]]
environment = [name + b"=" + value for name, value in os.environb.items()]
message = b"\0".join([os.getcwdb(), b"%d" % len(words), *words, *environment])
connection.sendmsg([message], [(_socket.SOL_SOCKET, _socket.SCM_RIGHTS, array("i", [0, 1, 2]))])
status = int(connection.recv(100))
if status < 0:  # a signal ended it
    os.kill(os.getpid(), -status)
os._exit(status)
