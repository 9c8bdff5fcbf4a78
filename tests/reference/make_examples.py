"""Prints the [[example]] blocks of protocols/acorn-*.toml: `python3 make_examples.py acorn-binary`.

It shares nothing with the program: fields by `struct`, checksums bit by bit or sum by sum, values typed here by hand.
"""

import struct
import sys


def crc16_modbus(data):
    register = 0xFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = (register >> 1) ^ 0xA001 if register & 1 else register >> 1
    return register


def fletcher16(data):
    # In exact integers, reduced once at the end (RFC 1146).
    first = sum(data)
    second = sum((len(data) - at) * byte for at, byte in enumerate(data))
    return (second % 255) << 8 | first % 255


def xor(data):
    result = 0
    for byte in data:
        result ^= byte
    return result


def values(pairs):
    def word(value):
        return '"absent"' if value is None else str(value)

    for name, value in pairs:
        if isinstance(value, list):
            yield f"  {name} = [{', '.join(map(word, value))}],"
        else:
            yield f"  {name} = {word(value)},"


def example(comment, data, message=None, pairs=(), rejected=None):
    print(f"\n# {comment}\n[[example]]")
    if isinstance(data, str):
        print(f'text = "{data}"')
    else:
        lines = [data[at : at + 32].hex(" ").upper() for at in range(0, len(data), 32)]
        print('bytes = """\n' + "\n".join(lines) + '"""' if len(lines) > 1 else f'bytes = "{lines[0]}"')
    if rejected:
        print(f'rejected = "{rejected}"')
        return
    print(f'message = "{message}"\nvalues = {{')
    print("\n".join(values(pairs)))
    print("}")


def scaled(value, steps, absent):
    return absent if value is None else round(value * steps)


def acorn_binary():
    def frame(kind, body, size=None):
        covered = bytes([kind, len(body) if size is None else size]) + body
        return b"\xaa\x55" + covered + struct.pack("<H", crc16_modbus(covered))

    def cells(count, uptime, cells):
        body = struct.pack("<BI", count, uptime) + struct.pack(">24H", *[scaled(c, 1, 0xFFFF) for c in cells])
        return frame(1, body), [("count", count), ("uptime", uptime), ("cell", cells)]

    def pack(pack, bus, current, temperatures, charge, flags, lead_test):
        body = struct.pack(">HHi", round(pack * 100), round(bus * 100), current)
        body += struct.pack(">6h", *[scaled(t, 10, 0x7FFF) for t in temperatures])
        body += struct.pack(">BHB", scaled(charge, 1, 0xFF), flags, lead_test)
        named = [("pack", pack), ("bus", bus), ("current", current), ("temperature", temperatures)]
        return frame(2, body), named + [("charge", charge), ("flags", flags), ("lead_test", lead_test)]

    rest = [3842, 3841, 3843, 3842, 3840, 3842, 3844, 3841, 3842, 3843, 3839, 3842]
    rest += [3841, 3842, 3842, 3843, 3840, 3841, 3842, 3844, 3842, 3841, 3843, 3842]
    good, named = cells(0, 1250, rest)
    example("At rest, a second after the switch.", good, "cells", named)
    full = [4200, 4199, 4201, None] + [4200] * 8 + [3300, 2500, 0] + [4198] * 8 + [None]
    data, named2 = cells(255, 4294967295, full)
    comment = "Cells 4 and 24 are not measured; counter and clock at their last value; one cell reads zero."
    example(comment, data, "cells", named2)
    data, named3 = pack(92.21, 91.87, 41250, [24.5, 25.0, 25.5, None, 24.0, -3.2], 64, 0, 1)
    example("A load of 41 A; sensor 4 is not there.", data, "pack", named3)
    data, named4 = pack(100.79, 0.00, -2000, [61.5, 20.0, 20.1, 20.2, 20.3, 20.4], None, 0x0115, 2)
    comment = "Charging at 2 A, no charge known, two faults, charge low, balancing, lead test failed."
    example(comment, data, "pack", named4)
    damaged = good[:33] + bytes([good[33] ^ 0x04]) + good[34:]
    example("The first frame with one bit of cell 13 turned round.", damaged, rejected="check")
    example("A body of one cell less, its checksum sound.", frame(1, good[4:-4]), rejected="size")
    other = frame(9, bytes(range(8)))
    example("A message that this file does not describe, its checksum sound.", other, rejected="message")
    example("The first frame, cut short.", good[:40], rejected="size")
    example("No start bytes.", good[2:], rejected="skipped")


def acorn_split():
    def frame(ident, body):
        data = b"\xc3" + struct.pack(">H", ident) + body
        return data + struct.pack(">H", fletcher16(data))

    def cells(ident, cells, uptime=None):
        body = struct.pack(f"<{len(cells)}H", *[cell or 0 for cell in cells])
        named = [("cell", cells)]
        if uptime is not None:
            body += struct.pack("<I", round(uptime * 100))
            named.append(("uptime", uptime))
        return frame(ident, body), named

    def pack(pack, current, kelvin, alarms):
        body = struct.pack("<Hf4HB", round(pack / 2), -current, *[scaled(t, 10, 0) for t in kelvin], alarms)
        return frame(0x110, body), [("pack", pack), ("current", current), ("temperature", kelvin), ("alarms", alarms)]

    first, named = cells(0x101, [3331, 3330, 3332, 3331, None, 3331])
    example("Cells 1 to 6 on the flat part of the curve; cell 5 is not measured.", first, "cells_1_to_6", named)
    data, named = cells(0x102, [3331, 3331, 2500, 3650, 3332, 3331])
    example("Cells 7 to 12: one empty, one full.", data, "cells_7_to_12", named)
    data, named = cells(0x103, [3330, 3331, None, 3333], 86400.05)
    example("Cells 13 to 16; cell 15 is not measured; the board has run for a day.", data, "cells_13_to_16", named)
    data, named = pack(53294, 12.75, [298.2, 299.1, None, 263.1], 0)
    comment = "12.75 A of load: the board sends charging as positive. Sensor 3 is not there, 4 is below freezing."
    example(comment, data, "pack", named)
    data, named = pack(58400, -6.5, [331.7, 300.0, 300.1, 300.2], 0x45)
    example("Charging at 6.5 A with over-voltage, over-temperature and a sense lead fault.", data, "pack", named)
    damaged = first[:5] + bytes([first[5] ^ 1]) + first[6:]
    example("The first frame with cell 2 changed by 1 mV.", damaged, rejected="check")
    example("An identifier that this file does not describe.", frame(0x1FF, bytes(12)), rejected="message")
    example("The first frame, cut short.", first[:-1], rejected="size")
    example("No start byte.", first[1:], rejected="skipped")


def acorn_text():
    def line(content, end="\\r\\n"):
        return f"${content}*{xor(content.encode()):02X}{end}"

    def word(value, decimals):
        return "-" if value is None else f"{value:.{decimals}f}"

    def cells(count, cells):
        content = ",".join(["CEL", str(count)] + [word(cell, 3) for cell in cells])
        return line(content), [("count", count), ("cell", cells)]

    def pack(pack, current, temperatures, state):
        words = ["PAK", word(pack, 2), word(current, 2)] + [word(t, 1) for t in temperatures]
        content = ",".join(words + [f"{state:02X}"])
        return line(content), [("pack", pack), ("current", current), ("temperature", temperatures), ("state", state)]

    rest = [3.842, 3.841, 3.843, None, 3.840, 3.842, 3.844, 3.841, 3.842, 3.843, 3.839, 3.842, 3.841, 3.842]
    first, named = cells(17, rest)
    example("At rest; cell 4 is not measured.", first, "cells", named)
    data, named = cells(255, [4.2, 4.199, 2.5, 0.0] + [4.2] * 9 + [None])
    comment = "The counter at its last value; an empty cell, one that reads zero, the last one not measured."
    example(comment, data, "cells", named)
    data, named = pack(53.78, 8.25, [24.5, None, -3.2], 0)
    example("A load of 8 A; sensor 2 is not there, sensor 3 is below freezing.", data, "pack", named)
    data, named = pack(58.79, -1.5, [61.5, 20.0, 20.1], 0x83)
    example("Charging, with a cell fault, a temperature fault and an open sense lead.", data, "pack", named)
    example("The first line with a digit of cell 1 changed.", first.replace("3.842", "3.852", 1), rejected="check")
    example("A checksum of one digit.", first[:-5] + "\\r\\n", rejected="text")
    odd = line("PAK,53.78,8.25,24.5,hot,-3.2,00")
    example("A word where a voltage belongs, its checksum sound.", odd, rejected="text")
    example("A value is missing, its checksum sound.", line("PAK,53.78,8.25,24.5,24.6,-3.2"), rejected="text")
    example("A line that this file does not describe.", line("VER,1,2"), rejected="message")
    example("The first line, cut short.", first[:40], rejected="size")
    example("No start.", first[1:], rejected="skipped")


{"acorn-binary": acorn_binary, "acorn-split": acorn_split, "acorn-text": acorn_text}[sys.argv[1]]()
