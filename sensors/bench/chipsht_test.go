package bench

import (
	"math"
	"time"
)

// crc8 is the checksum of these chips, written out here so that a mistake in
// the drivers' own does not cancel itself.
func crc8(data []byte) byte {
	crc := byte(0xFF)
	for _, b := range data {
		for bit := 7; bit >= 0; bit-- {
			top := crc>>7 ^ b>>bit&1
			crc <<= 1
			if top != 0 {
				crc ^= 0x31
			}
		}
	}
	return crc
}

func withCRC(words ...uint16) []byte {
	var out []byte
	for _, w := range words {
		pair := []byte{byte(w >> 8), byte(w)}
		out = append(append(out, pair...), crc8(pair))
	}
	return out
}

// word turns a value into the count of a chip whose scale starts at zero and
// spans span.
func word(v, zero, span float64) uint16 {
	return uint16(math.Round(min(max((v-zero)/span, 0), 1) * 65535))
}

// pending is an answer that becomes readable after a time.
type pending struct {
	bytes []byte
	at    time.Time
	after time.Duration
}

func later(d time.Duration, b []byte) *pending { return &pending{bytes: b, at: time.Now(), after: d} }

// An SHT4x models Sensirion's SHT4x.
type SHT4x struct {
	Air     *Air
	Serial  uint32
	answer  *pending
	hotTill time.Time
}

// read hands out the answer once. Too early, or with nothing to say, the chip
// does not acknowledge.
func (a *pending) read(p []byte) error {
	if a == nil || !since(a.at, a.after) {
		return errNak
	}
	copy(p, a.bytes)
	return nil
}

// Write takes a one-byte command.
func (d *SHT4x) Write(p []byte) error {
	if len(p) != 1 || time.Now().Before(d.hotTill) {
		return errNak
	}
	switch p[0] {
	case 0xFD:
		d.answer = later(8300*time.Microsecond, withCRC(word(d.Air.Celsius, -45, 175), word(d.Air.Percent, -6, 125)))
	case 0x89:
		d.answer = later(0, withCRC(uint16(d.Serial>>16), uint16(d.Serial)))
	case 0x94:
		d.Reset()
	case 0x2F: // 110 mW for 1 s: hot, dry air at the end
		d.hotTill = time.Now().Add(time.Second)
		d.answer = later(time.Second, withCRC(word(d.Air.Celsius+40, -45, 175), word(d.Air.Percent/8, -6, 125)))
	default:
		return errNak
	}
	return nil
}

// Read hands out the last command's answer.
func (d *SHT4x) Read(p []byte) error {
	err := d.answer.read(p)
	if err == nil {
		d.answer = nil
	}
	return err
}

// Reset restarts the chip.
func (d *SHT4x) Reset() { d.answer, d.hotTill = nil, time.Time{} }

// An SHT3x models Sensirion's SHT3x, or TI's HDC302x where HDC is set.
type SHT3x struct {
	Air    *Air
	Serial uint64
	HDC    bool
	Heater bool
	status uint16
	booted bool
	answer *pending
}

// Write takes a two-byte command, with or without a parameter.
func (d *SHT3x) Write(p []byte) error {
	if !d.booted {
		d.Reset()
	}
	if len(p) < 2 {
		return errNak
	}
	switch code := uint16(p[0])<<8 | uint16(p[1]); {
	case code == 0x2400:
		c := *d.Air
		if d.Heater {
			c.Celsius, c.Percent = c.Celsius+5, c.Percent*0.7
		}
		d.answer = later(15*time.Millisecond, withCRC(word(c.Celsius, -45, 175), word(c.Percent, 0, 100)))
	case code == 0xF32D:
		st := d.status
		if d.Heater {
			st |= 1 << 13
		}
		d.answer = later(0, withCRC(st))
	case code == 0x3041:
		d.status = 0
	case code == 0x306D:
		d.Heater = true
	case code == 0x3066:
		d.Heater = false
	case code == 0x30A2:
		d.Reset()
	default:
		return d.identity(code)
	}
	return nil
}

func (d *SHT3x) identity(code uint16) error {
	switch {
	case !d.HDC && code == 0x3682:
		d.answer = later(0, withCRC(uint16(d.Serial>>16), uint16(d.Serial)))
	case d.HDC && code == 0x3781:
		d.answer = later(0, withCRC(0x3000))
	case d.HDC && code >= 0x3683 && code <= 0x3685:
		d.answer = later(0, withCRC(uint16(d.Serial>>(16*(0x3685-code)))))
	case d.HDC && code == 0x306E:
	default:
		return errNak
	}
	return nil
}

// Read hands out the last command's answer.
func (d *SHT3x) Read(p []byte) error {
	err := d.answer.read(p)
	if err == nil {
		d.answer = nil
	}
	return err
}

// Reset restarts the chip: heater off, reset flag set.
func (d *SHT3x) Reset() { d.answer, d.Heater, d.status, d.booted = nil, false, 1<<4, true }
