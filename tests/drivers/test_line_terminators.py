"""Other line ends, CR and CR LF, in both directions, on a real socket and on a pty."""

import os
import socket
import threading
import tty

import pytest
from link_kit import open_link
from socket_kit import serving

from benchwatch.errors import ReplyTimeout

ANSWERS = [b"10000000,0231", b"10000000,0232", b"10000000,0233"]


@pytest.mark.parametrize("terminator", ["\n", "\r", "\r\n"])
def test_a_dialogue_in_lines_that_end_in_any_way(terminator: str) -> None:
    """Sent and received with the same end; no answer is lost or joined to the next."""
    end, received = terminator.encode(), bytearray()

    def serve(peer: socket.socket) -> None:
        for answer in ANSWERS:
            while not received.endswith(end):
                received.extend(peer.recv(100))
            received.extend(b"|")
            peer.sendall(answer[:4])
            peer.sendall(answer[4:] + end)
        peer.recv(1)

    with serving(serve) as server:
        link = open_link(server.resource)
        link.use_terminator(terminator)
        answers = [link.query("M?", 2.0) for _ in ANSWERS]
        link.close()

    assert [answer.encode() for answer in answers] == ANSWERS
    assert bytes(received) == (b"M?" + end + b"|") * 3


@pytest.mark.parametrize("terminator", ["\n", "\r", "\r\n"])
def test_a_serial_line_that_ends_its_lines_in_any_way(terminator: str) -> None:
    """Whole lines are read, whatever the wire does with CR and LF."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link = open_link(f"ASRL{os.ttyname(theirs)}::INSTR")
    link.use_terminator(terminator)

    def talk() -> None:
        for answer in ANSWERS:
            os.write(ours, answer + terminator.encode())

    talker = threading.Thread(target=talk)
    talker.start()
    received = [link.read(2.0) for _ in ANSWERS]
    with pytest.raises(ReplyTimeout):
        link.read(0.05)

    talker.join()
    link.close()
    os.close(ours)
    os.close(theirs)
    assert [line.encode() for line in received] == ANSWERS
