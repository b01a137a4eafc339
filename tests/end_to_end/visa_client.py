"""Reads a spectrometer with a standard IEEE 488.2 client (PyVISA, pure-Python backend) that was not written here.

Usage: visa_client.py PATH_OF_THE_SERIAL_PORT
Prints one JSON object of what the client saw; it judges nothing.
"""

import json
import sys
import zlib

import pyvisa


def main(path):
    manager = pyvisa.ResourceManager("@py")
    instrument = manager.open_resource(
        f"ASRL{path}::INSTR",
        baud_rate=115200,
        read_termination="\n",
        write_termination="\n",
        timeout=10000,
    )
    seen = {"identity": instrument.query("*IDN?"), "pixels": int(instrument.query("SENSe:DETector:SIZE?"))}
    instrument.write("SENS:APER 20 ms")
    seen["aperture_s"] = float(instrument.query("SENSe:APERture?"))
    instrument.write("FORM UINT,16")
    instrument.write("FORMat:BORDer NORMal")
    payload = instrument.query_binary_values("READ?", datatype="B", container=bytes)
    seen["payload_bytes"] = len(payload)
    seen["own_crc"] = zlib.crc32(payload)
    seen["instrument_crc"] = int(instrument.query("FETCh:CRC?"))
    # The same block again, as numbers this time.
    counts = instrument.query_binary_values("FETCh?", datatype="H", is_big_endian=True)
    seen["counts"] = len(counts)
    seen["same_block"] = [256 * a + b for a, b in zip(payload[::2], payload[1::2])] == list(counts)
    seen["error"] = instrument.query("SYST:ERR?")
    instrument.close()
    print(json.dumps(seen))


main(sys.argv[1])
