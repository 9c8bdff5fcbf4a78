"""Prints the [[example]] blocks of the protocol files for open standards: `python3 make_standard_examples.py mavlink`.

The bytes come from public libraries that share nothing with the program: pymavlink 2.4.50, pymodbus 3.16.1, dronecan 1.0.27,
pynmea2 1.19.0, sliplib 0.7.2, cobs 1.2.2, crccheck 1.3.1, numpy 2.4.6 (PyPI). The values beside them are typed here by hand.
`streams DIRECTORY` writes the two streams that this project adds to those it was given, from the same truth.
"""

import json
import struct
import sys


def value(item):
    return f'"{item}"' if isinstance(item, str) else str(item)


def written(values):
    for name, item in values.items():
        if isinstance(item, list):
            yield f"  {name} = [{', '.join(map(value, item))}],"
        else:
            yield f"  {name} = {value(item)},"


def hexadecimal(key, data):
    lines = [data[at : at + 32].hex(" ").upper() for at in range(0, len(data), 32)]
    return f'{key} = """\n' + "\n".join(lines) + '"""' if len(lines) > 1 else f'{key} = "{lines[0]}"'


def example(comment, data, message=None, values=None, rejected=None, after=None):
    print(f"\n# {comment}\n[[example]]" if comment else "\n[[example]]")
    if after:
        print(f'after = "{after}"' if isinstance(after, str) else hexadecimal("after", after))
    print(f'text = "{data}"' if isinstance(data, str) else hexadecimal("bytes", data))
    if rejected:
        print(f'rejected = "{rejected}"')
        return
    print(f'message = "{message}"')
    if values:
        print("values = {\n" + "\n".join(written(values)) + "\n}")


def changed(data, at, by=1):
    return data[:at] + bytes([data[at] ^ by]) + data[at + 1 :]


def mavlink_sender():
    from pymavlink.dialects.v20 import common

    return common, common.MAVLink(None, srcSystem=1, srcComponent=1)


def battery_status(mav, voltages, extended=(0, 0, 0, 0), temperature=2512, current=1234, charge=61, state=0, mode=0, faults=0, battery=0):
    voltages = list(voltages) + [65535] * (10 - len(voltages))
    return mav.battery_status_encode(
        battery, 2, 3, temperature, voltages, current, 567, 89, charge, 0, state, list(extended), mode, faults
    )


def mavlink():
    common, mav = mavlink_sender()

    def sent(message, version=2):
        return bytes(message.pack(mav, force_mavlink1=version == 1))

    cells = [3836, 3840, 3844, 3838, 3797, 3836, 3840, 3844, 3838, 3842]
    twelve = sent(battery_status(mav, cells, (3836, 3840, 0, 0), state=1))
    named = {
        "temperature": 25.12,
        "cell": cells,
        "current": 12.34,
        "charge": 61,
        "charge_state": 1,
        "cell_ext": [3836, 3840, "absent", "absent"],
        "mode": 0,
        "faults": 0,
    }
    example("Version 2: twelve cells, 12.34 A out of the pack. Zeros at the end are cut.", twelve, "battery", named)
    unknown = battery_status(mav, [3801, 3802, 3803, 3804, 3805, 3806], temperature=32767, current=-1, charge=-1)
    six = {
        "temperature": "absent",
        "cell": [3801, 3802, 3803, 3804, 3805, 3806] + ["absent"] * 4,
        "current": "absent",
        "charge": "absent",
        "cell_ext": ["absent"] * 4,
    }
    example("Version 1: six cells, everything else not known.", sent(unknown, 1), "battery", six)
    failed = battery_status(mav, cells, (3836, 3840, 3838, 1), -1050, -2500, 7, 5, 2, 0x104)
    values = {
        "temperature": -10.5,
        "cell": cells,
        "current": -25,
        "charge": 7,
        "charge_state": 5,
        "cell_ext": [3836, 3840, 3838, 1],
        "mode": 2,
        "faults": 260,
    }
    example("Charging at 25 A in the cold; a cell has failed and the cells do not fit.", sent(failed), "battery", values)
    zeros = mav.battery_status_encode(0, 0, 0, 0, [0] * 10, 0, 0, 0, 0)
    example("All zero: one byte of the body is left. These are values, not absent ones.", sent(zeros), "battery",
            {"temperature": 0, "cell": [0] * 10, "current": 0, "charge": 0})
    status = mav.sys_status_encode(1 << 25, 1 << 25, 1 << 25, 333, 45666, 1234, 61, 12, 3, 0, 0, 0, 0)
    example("The system, its battery sensor healthy.", sent(status), "system",
            {"sensors_healthy": 1 << 25, "pack": 45666, "current": 12.34, "charge": 61})
    nothing = mav.sys_status_encode(0, 0, 0, 0, 65535, -1, -1, 0, 0, 0, 0, 0, 0)
    example("Version 1, nothing known.", sent(nothing, 1), "system",
            {"sensors_healthy": 0, "pack": "absent", "current": "absent", "charge": "absent"})
    alive = mav.heartbeat_encode(13, 0, 0, 0, 3, 3)
    example("A heartbeat of a hexacopter in standby.", sent(alive), "heartbeat", {"system_status": 3})
    common2, signing = mavlink_sender()
    signing.signing.secret_key = bytes(range(32))
    signing.signing.link_id = 7
    signing.signing.timestamp = 1_000_000
    signing.signing.sign_outgoing = True
    signed = bytes(battery_status(signing, cells, (3836, 3840, 0, 0), state=1).pack(signing))
    example("The first one signed.", signed, "battery", named)

    example("The first one with a millivolt more in cell 1.", changed(twelve, 20), rejected="check")
    example("A battery that is not the first.", sent(battery_status(mav, cells, battery=1)), rejected="message")
    attitude = mav.attitude_encode(1000, 0.1, 0.2, 0.3, 0, 0, 0)
    example("A message that this file does not describe.", sent(attitude), rejected="unverified")
    example("The same in version 1.", sent(attitude, 1), rejected="unverified")
    example("The first one, cut short.", twelve[:-1], rejected="size")


def mavlink_total():
    _, mav = mavlink_sender()

    def sent(message, version=2):
        return bytes(message.pack(mav, force_mavlink1=version == 1))

    named = {"temperature": 25.12, "pack": 50400, "current": 12.34, "charge": 61, "charge_state": 0, "mode": 0, "faults": 0}
    low = sent(battery_status(mav, [50400]))
    example("50.4 V in one field.", low, "battery", named)
    named["pack"] = 67200
    example("67.2 V in two.", sent(battery_status(mav, [65534, 1666])), "battery", named)
    named["pack"] = 65534
    example("65.534 V need only one. Version 1.", sent(battery_status(mav, [65534]), 1), "battery", named)
    example("No voltage known.", sent(battery_status(mav, [])), "battery", {"pack": "absent"})
    example("A heartbeat.", sent(mav.heartbeat_encode(13, 0, 0, 0, 4, 3)), "heartbeat", {"system_status": 4})
    status = mav.sys_status_encode(0, 0, 0, 333, 65535, 1234, 61, 12, 3, 0, 0, 0, 0)
    example("The system; its voltage has no room.", sent(status), "system", {"current": 12.34, "charge": 61})
    cells = sent(battery_status(mav, [3836, 3840, 3844, 3838]))
    example("Cells: not what this file is for.", cells, rejected="message")
    example("A changed byte.", changed(low, 21), rejected="check")
    example("A message that this file does not describe.", sent(mav.attitude_encode(1000, 0.1, 0.2, 0.3, 0, 0, 0)), rejected="unverified")


CELLS = [3836, 3840, 3844, 3838, 3797, 3836, 3840, 3844, 3838, 3842, 3836, 3840, 3844, 3838, 3842, 3836]


def modbus(framer):
    from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadHoldingRegistersResponse
    from pymodbus.pdu import ExceptionResponse

    def ask(address, count, server=1):
        return framer.buildFrame(ReadHoldingRegistersRequest(address=address, count=count, dev_id=server))

    def answer(registers, server=1):
        return framer.buildFrame(ReadHoldingRegistersResponse(registers=registers, dev_id=server))

    refusal = framer.buildFrame(ExceptionResponse(3, 2, device_id=1))
    return ask, answer, refusal


def modbus_examples(framer, text):
    ask, answer, refusal = modbus(framer)

    def shown(data):
        return data.decode().replace("\r\n", "\\r\\n") if text else data

    cells, pack = ask(0, 16), ask(0x6B, 3)
    example("The question for the cells.", shown(cells), "ask_cells")
    example("Its answer.", shown(answer(CELLS)), "cells", {"cell": CELLS}, after=shown(cells))
    example("The same without the question.", shown(answer(CELLS)), rejected="unpaired")
    values = {"pack": 55.5, "current": 0, "charge": 100}
    example("The three registers of the specification's own example.", shown(answer([555, 0, 100])), "pack", values, after=shown(pack))
    values = {"pack": 58.8, "current": -12.5, "charge": 64}
    example("Charging.", shown(answer([588, 65536 - 125, 64])), "pack", values, after=shown(pack))
    example("Cells, but the pack was asked for.", shown(answer(CELLS)), rejected="unpaired", after=shown(pack))
    example("The server refuses.", shown(refusal), "refusal", {"code": 2}, after=shown(cells))
    example("A question for other registers.", shown(ask(0x100, 2)), rejected="message")
    if text:
        damaged = shown(answer(CELLS)).replace("0EFC", "0EFD", 1)
        example("A digit changed.", damaged, rejected="check", after=shown(cells))
        example("A digit lost.", shown(answer(CELLS)).replace("0EFC", "0EF", 1), rejected="stuffing", after=shown(cells))
        example("Another server.", shown(answer([1, 2, 3], 9)), rejected="message")
        example("No end of the line.", shown(cells).replace("\\r\\n", ""), rejected="size")
    else:
        example("A bit changed.", changed(answer(CELLS), 4), rejected="skipped", after=cells)
        example("Another server.", answer([1, 2, 3], 9), rejected="message")
        example("The question, cut short.", cells[:-1], rejected="skipped")


def modbus_rtu():
    from pymodbus.framer import FramerRTU
    from pymodbus.pdu import DecodePDU

    modbus_examples(FramerRTU(DecodePDU(False)), False)


def modbus_ascii():
    from pymodbus.framer import FramerAscii
    from pymodbus.pdu import DecodePDU

    modbus_examples(FramerAscii(DecodePDU(False)), True)


def smart_battery():
    from crccheck.crc import Crc8

    assert Crc8.calc(b"123456789") == 0xF4

    def frame(command, form, word):
        data = struct.pack("<B" + form, command, word)
        return b"\xb5" + data + bytes([Crc8.calc(data)])

    example("2982 tenths of a kelvin.", frame(0x08, "H", 2982), "temperature", {"value": 298.2})
    example("Just below freezing.", frame(0x08, "H", 2731), "temperature", {"value": 273.1})
    example("15.2 V.", frame(0x09, "H", 15200), "voltage", {"value": 15200})
    example("Charging with 2 A.", frame(0x0A, "h", 2000), "current", {"value": -2000})
    example("A load of 32.767 A, the most that it can say.", frame(0x0A, "h", -32767), "current", {"value": 32767})
    example("61 %.", frame(0x0D, "H", 61), "relative_charge", {"value": 61})
    example("Initialised, discharging, no error.", frame(0x16, "H", 0x00C0), "battery_status", {"value": 0xC0, "error": 0})
    example("Over-temperature, error 7.", frame(0x16, "H", 0x10C7), "battery_status", {"value": 0x10C7, "error": 7})
    for cell, volts in ((1, 3801), (2, 3802), (3, 3799), (4, 3800)):
        example(f"Cell {cell}.", frame(0x40 - cell, "H", volts), f"cell_{cell}", {"value": volts})
    example("A bit changed.", changed(frame(0x09, "H", 15200), 2), rejected="check")
    example("A command that this file does not describe.", frame(0x1B, "H", 0x5A21), rejected="skipped")
    example("Cut short.", frame(0x09, "H", 15200)[:4], rejected="size")


def slip(data):
    import sliplib

    return sliplib.END + sliplib.encode(data) + sliplib.END


def dronecan_values():
    import dronecan
    import numpy
    from crccheck.crc import Crc16Ibm3740

    assert Crc16Ibm3740.calc(b"123456789") == 0x29B1

    def packet(kind, payload):
        data = struct.pack("<H", kind) + payload
        return slip(data + struct.pack("<H", Crc16Ibm3740.calc(data)))

    def info(**values):
        message = dronecan.uavcan.equipment.power.BatteryInfo(**values)
        bits = message._pack(True)
        bits += "0" * (-len(bits) % 8)
        return packet(1092, bytes(int(bits[at : at + 8], 2) for at in range(0, len(bits), 8)))

    def half(number):
        return float(numpy.float16(number))

    def exact(number):
        return format(half(number), ".12f").rstrip("0").rstrip(".") if number == number else "absent"

    class Plain(float):
        def __str__(self):
            return exact(self)

    good = info(temperature=298.15, voltage=50.4, current=12.5, average_power_10sec=630, remaining_capacity_wh=500,
                full_charge_capacity_wh=800, hours_to_full_charge=0, status_flags=1 | 128, state_of_health_pct=127,
                state_of_charge_pct=61, state_of_charge_pct_stdev=3, model_instance_id=7, model_name="Acorn")
    named = {"temperature": Plain(298.15), "pack": Plain(50.4), "current": Plain(12.5), "flags": 129, "more_flags": 0, "charge": 61}
    example("50.4 V, 12.5 A of load; both as near as a half-precision float comes.", good, "info", named)
    nan = float("nan")
    bad = info(temperature=nan, voltage=58.8, current=-2.0, average_power_10sec=nan, remaining_capacity_wh=nan,
               full_charge_capacity_wh=nan, hours_to_full_charge=nan, status_flags=256 | 64 | 2, state_of_health_pct=40,
               state_of_charge_pct=100, state_of_charge_pct_stdev=127)
    named = {"temperature": "absent", "pack": Plain(58.8), "current": -2, "flags": 66, "more_flags": 1, "charge": 100}
    example("Charging; temperature not known; bad battery, error of the BMS. No model name.", bad, "info", named)
    other = info(temperature=298.15, voltage=50.4, current=0, average_power_10sec=0, remaining_capacity_wh=0,
                 full_charge_capacity_wh=0, hours_to_full_charge=0, status_flags=0, state_of_health_pct=0,
                 state_of_charge_pct=0, state_of_charge_pct_stdev=0, battery_id=1)
    volts = [3.8, 4.2, 3.3, 2.5]
    cells = packet(20012, struct.pack("<H", 0) + numpy.array(volts, "<f2").tobytes())
    example("The first four cells.", cells, "cells", {"cell": [Plain(v) for v in volts]})
    later = packet(20012, struct.pack("<H", 24) + numpy.array([3.8, 3.9], "<f2").tobytes())
    example("Cells 25 and 26.", later, "cells", {"cell": ["left out"] * 24 + [Plain(3.8), Plain(3.9)]})
    example("Another battery.", other, rejected="message")
    beyond = packet(20012, struct.pack("<H", 72) + numpy.array([3.8], "<f2").tobytes())
    example("A cell beyond the 72nd.", beyond, rejected="count")
    example("A byte that breaks the stuffing.", cells[:4] + b"\xdb\x01" + cells[4:], rejected="stuffing")
    example("A bit changed.", changed(cells, 5), rejected="check")


def nmea_style():
    import pynmea2

    def line(content):
        return f"${content}*{pynmea2.NMEASentence.checksum(content):02X}\\r\\n"

    def cells(first, volts):
        return line(",".join(["PBATC", str(first)] + [f"{v:.3f}" for v in volts]))

    eight = [3.842, 3.841, 3.843, 3.842, 3.84, 3.842, 3.844, 3.841]
    example("Cells 1 to 8.", cells(1, eight), "cells", {"cell": eight})
    example("Cells 17 to 24.", cells(17, eight), "cells", {"cell": ["left out"] * 16 + eight})
    gap = line("PBATC,9,3.842,,3.840")
    example("Three cells, the second not measured.", gap, "cells", {"cell": ["left out"] * 8 + [3.842, "absent", 3.84]})
    values = {"pack": 92.21, "current": 41.2, "charge": 64, "state": 0, "temperature": [24.5, "absent", -3.2]}
    example("A load, three sensors.", line("PBATP,92.21,41.2,64,0,24.5,-,-3.2"), "pack", values)
    values = {"pack": 58.79, "current": -1.5, "charge": "absent", "state": 0x91, "temperature": [61.5]}
    example("Charging, with faults.", line("PBATP,58.79,-1.5,-,91,61.5"), "pack", values)
    example("Cells beyond the 24th.", cells(20, eight), rejected="count")
    example("A digit changed.", cells(1, eight).replace("3.842", "3.852", 1), rejected="check")
    example("A sentence that this file does not describe.", line("GPGLL,4916.45,N,12311.12,W,225444,A"), rejected="message")
    example("A word where a voltage belongs.", line("PBATP,full,41.2,64,0"), rejected="text")


def streams(directory):
    from crccheck.crc import CrcX25
    from pymodbus.framer import FramerAscii
    from pymodbus.pdu import DecodePDU

    assert CrcX25.calc(b"123456789") == 0x906E
    rows = json.load(open(f"{directory}/bin16s.json"))["rows"]
    hdlc = b""
    for row in rows:
        record = bytes.fromhex(row["record_hex"])
        data = record + struct.pack("<H", CrcX25.calc(record))
        stuffed = b"".join(bytes([0x7D, byte ^ 0x20]) if byte in (0x7D, 0x7E) else bytes([byte]) for byte in data)
        frame = b"\x7e" + stuffed + b"\x7e"
        assert row["hdlc"] == [len(hdlc), len(frame)]
        hdlc += frame
    open(f"{directory}/bin16s_hdlc.bin", "wb").write(hdlc)
    truth = json.load(open(f"{directory}/modbus_fc03_16cells.json"))
    _, answer, _ = modbus(FramerAscii(DecodePDU(False)))
    lines = b""
    for row in truth["rows"]:
        line = answer(row["cells_mV"])
        assert [row["ascii_offset"], row["ascii_length"]] == [len(lines), len(line)]
        lines += line
    open(f"{directory}/modbus_ascii_fc03_16cells.txt", "wb").write(lines)


if sys.argv[1] == "streams":
    streams(sys.argv[2])
else:
    globals()[sys.argv[1].replace("-", "_")]()
