package ds18b20

import (
	"encoding/hex"
	"strconv"
	"strings"

	"periph.io/x/conn/v3/onewire"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

const (
	scratchpad = 9 // bytes, the last of them the checksum
	// powerOn is what the temperature register holds after power-up, and
	// reservedPowerOn what byte 6 holds then. A true 85.0 °C leaves 0x10 there
	// (DS18B20 data sheet 19-7487, page 6, for the value; byte 6 is common
	// practice).
	powerOn         = 85_000
	reservedPowerOn = 0x0C
	lowest, highest = -55_000, 125_000 // milli-°C
)

// DecodeSlave decodes the two lines of a w1_slave file:
//
//	91 01 4b 46 7f ff 0c 10 25 : crc=25 YES
//	91 01 4b 46 7f ff 0c 10 25 t=25062
//
// The kernel's verdict, its checksum and ours must agree, and so must the
// scratchpad and the printed value.
func DecodeSlave(text string) (sensors.CentiCelsius, error) {
	first, second, twoLines := strings.Cut(strings.TrimSpace(text), "\n")
	dump, verdict, judged := strings.Cut(first, ":")
	_, value, printed := strings.Cut(second, "t=")
	pad, err := hex.DecodeString(strings.Join(strings.Fields(dump), ""))
	if !twoLines || !judged || err != nil || len(pad) != scratchpad {
		return 0, malformed(text)
	}
	if err := checkPad(pad, verdict); err != nil {
		return 0, err
	}
	if !printed {
		return 0, malformed(text)
	}
	milli, err := parseMilli(value)
	if err != nil {
		return 0, err
	}
	if milli == powerOn && pad[6] == reservedPowerOn {
		return 0, sensors.Faultf(sensors.PowerOnValue, "85 °C is what the chip shows after power-up, before any conversion: does its supply dip?")
	}
	if err := agrees(pad, milli); err != nil {
		return 0, err
	}
	return centi(milli)
}

func checkPad(pad []byte, verdict string) error {
	if i2c.All(pad, 0) { // its checksum is right: zero
		return sensors.Faultf(sensors.AllZero, "scratchpad of zeros: the line is held low, by a short circuit or without power")
	}
	if !strings.HasSuffix(strings.TrimSpace(verdict), "YES") {
		return sensors.Faultf(sensors.BadCRC, "the kernel found a wrong checksum in % x: is the pull-up resistor there, and the cable short and dry?", pad)
	}
	if got := onewire.CalcCRC(pad[:scratchpad-1]); got != pad[scratchpad-1] {
		return sensors.Faultf(sensors.BadCRC, "scratchpad % x has checksum %#02x, want %#02x", pad, pad[scratchpad-1], got)
	}
	return nil
}

// agrees compares the printed value with the register of a DS18B20, sixteenths
// of a degree. Families with other registers (DS18S20: half degrees) do not
// come near by chance, so they are told by their configuration byte, 0xFF.
func agrees(pad []byte, milli int) error {
	if pad[4] == 0xFF {
		return nil
	}
	register := int(int16(uint16(pad[1])<<8|uint16(pad[0]))) * 1000 / 16
	if d := register - milli; d < -63 || d > 63 {
		return sensors.Faultf(sensors.Malformed, "the register says %d m°C and the kernel %d", register, milli)
	}
	return nil
}

// DecodeTemperature decodes a temperature file, thousandths of a degree. It
// holds no checksum and no scratchpad, so 85.000 °C is always refused: it is
// far likelier to be the power-on value.
func DecodeTemperature(text string) (sensors.CentiCelsius, error) {
	milli, err := parseMilli(text)
	if err != nil {
		return 0, err
	}
	if milli == powerOn {
		return 0, sensors.Faultf(sensors.PowerOnValue, "85 °C is what the chip shows after power-up, before any conversion")
	}
	return centi(milli)
}

func parseMilli(s string) (int, error) {
	milli, err := strconv.ParseInt(strings.TrimSpace(s), 10, 32)
	if err != nil {
		return 0, malformed(s)
	}
	return int(milli), nil
}

func centi(milli int) (sensors.CentiCelsius, error) {
	if milli < lowest || milli > highest {
		return 0, sensors.Faultf(sensors.OutOfRange, "%d m°C is outside what the chip can measure", milli)
	}
	return sensors.CelsiusOf(float64(milli) / 1000), nil
}

func malformed(text string) error {
	const shown = 120
	if len(text) > shown {
		text = text[:shown]
	}
	return sensors.Faultf(sensors.Malformed, "not the text of a 1-Wire thermometer: %q; does the path name its directory?", text)
}
