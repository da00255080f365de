# python3-can (Debian package) as a second writer and reader of CAN logs, for candump_log_test.cpp.
import random

import can
from can.io.canutils import CanutilsLogReader, CanutilsLogWriter

FD_LENGTHS = [0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64]


def message(dice, time_s):
    extended = dice.random() < 0.5
    fd = dice.random() < 0.4
    remote = not fd and dice.random() < 0.1
    length = dice.choice(FD_LENGTHS) if fd else dice.randrange(9)
    return can.Message(
        timestamp=time_s,
        arbitration_id=dice.randrange(1 << (29 if extended else 11)),
        is_extended_id=extended,
        is_remote_frame=remote,
        is_fd=fd,
        is_rx=dice.random() < 0.5,
        bitrate_switch=fd and dice.random() < 0.5,
        error_state_indicator=fd and dice.random() < 0.5,
        dlc=0 if remote else length,  # the writer leaves the length of a remote frame out
        data=None if remote else dice.randbytes(length),
        channel=dice.choice(["can0", "vcan1", 2]),
    )


def write(path, count, seed):
    dice = random.Random(seed)
    writer = CanutilsLogWriter(path)
    for i in range(count):
        writer.on_message_received(message(dice, 1700000000 + i * 0.25))
    writer.on_message_received(can.Message(timestamp=1700000000 + count, is_error_frame=True, channel="can0"))
    writer.stop()


# One line a frame. Error frames are only told as such: the reader keeps nothing else of them.
def show(path):
    for frame in CanutilsLogReader(path):
        micros = round(frame.timestamp * 1e6)
        if frame.is_error_frame:
            print(micros, "error")
            continue
        kind = ("x" if frame.is_extended_id else "s") + ("r" if frame.is_remote_frame else "")
        kind += ("f" if frame.is_fd else "") + ("b" if frame.bitrate_switch else "")
        kind += "e" if frame.error_state_indicator else ""
        print(micros, frame.channel, f"{frame.arbitration_id:X}", kind, frame.dlc, frame.data.hex().upper())
