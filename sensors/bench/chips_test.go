package bench

import (
	"encoding/binary"
	"math"
	"sort"
	"time"
)

// An AHT20 models ASAIR's AHT20 (data sheet v1.1, section 5.4).
type AHT20 struct {
	Air *Air
	// Stuck keeps the chip busy for ever.
	Stuck      bool
	calibrated bool
	answer     *pending
	statusOnly bool
}

// Write takes a command.
func (d *AHT20) Write(p []byte) error {
	if len(p) == 0 {
		return nil
	}
	switch p[0] {
	case 0x71:
		d.statusOnly = true
	case 0xBE:
		d.calibrated = true
	case 0xBA:
		d.Reset()
	case 0xAC:
		h := uint32(math.Round(d.Air.Percent / 100 * (1 << 20)))
		t := uint32(math.Round((d.Air.Celsius + 50) / 200 * (1 << 20)))
		h = min(h, 1<<20-1)
		d.answer = later(75*time.Millisecond, []byte{
			byte(h >> 12), byte(h >> 4), byte(h<<4) | byte(t>>16), byte(t >> 8), byte(t)})
		d.statusOnly = false
	default:
		return errNak
	}
	return nil
}

// Read hands out the status and, if there is one, the measurement.
func (d *AHT20) Read(p []byte) error {
	frame := []byte{0x10, 0, 0, 0, 0, 0}
	if d.calibrated {
		frame[0] |= 1 << 3
	}
	if d.Stuck || d.answer != nil && !since(d.answer.at, d.answer.after) {
		frame[0] |= 1 << 7
	} else if d.answer != nil {
		copy(frame[1:], d.answer.bytes)
	}
	if d.statusOnly {
		d.statusOnly = false
		copy(p, frame[:1])
		return nil
	}
	copy(p, append(frame, crc8(frame)))
	return nil
}

// Reset restarts the chip, uncalibrated.
func (d *AHT20) Reset() { d.calibrated, d.answer, d.statusOnly = false, nil, false }

// A BME280 models Bosch's BME280 by the double-precision formulas of its data
// sheet (BST-BME280-DS002 v1.6, section 8.1), solved backwards.
type BME280 struct {
	Air *Air
	// Stuck keeps the chip measuring for ever.
	Stuck  bool
	regs   [256]byte
	at     byte
	booted bool
	doneAt time.Time
}

// Calibration: T1 to T3 from the data sheet's example for the same core
// (BMP280 data sheet, section 3.12), the humidity ones from memory of a real
// chip.
const (
	calT1, calT2, calT3 = 27504, 26435, -1000
	calH1, calH2, calH3 = 75, 361, 0
	calH4, calH5, calH6 = 313, 50, 30
)

// Write sets the register pointer, or registers in pairs of address and value.
func (d *BME280) Write(p []byte) error {
	if !d.booted {
		d.Reset()
	}
	if len(p) == 1 {
		d.at = p[0]
		return nil
	}
	for i := 0; i+1 < len(p); i += 2 {
		d.regs[p[i]] = p[i+1]
		if p[i] == 0xF4 && p[i+1]&3 != 0 {
			d.measure()
		}
	}
	return nil
}

// Read hands out registers from the pointer on.
func (d *BME280) Read(p []byte) error {
	if !d.booted {
		d.Reset()
	}
	d.regs[0xF3] = 0
	if d.Stuck || time.Now().Before(d.doneAt) {
		d.regs[0xF3] = 1 << 3
	}
	for i := range p {
		p[i] = d.regs[d.at]
		d.at++
	}
	return nil
}

// Reset restarts the chip: sampling switched off, data registers at their
// power-on values.
func (d *BME280) Reset() {
	*d = BME280{Air: d.Air, Stuck: d.Stuck, booted: true}
	d.regs[0xD0] = 0x60
	t3 := int16(calT3)
	binary.LittleEndian.PutUint16(d.regs[0x88:], calT1)
	binary.LittleEndian.PutUint16(d.regs[0x8A:], calT2)
	binary.LittleEndian.PutUint16(d.regs[0x8C:], uint16(t3))
	for i := 0x8E; i < 0xA0; i++ { // pressure, not used
		d.regs[i] = 0x11
	}
	d.regs[0xA1] = calH1
	binary.LittleEndian.PutUint16(d.regs[0xE1:], calH2)
	d.regs[0xE3] = calH3
	d.regs[0xE4], d.regs[0xE5], d.regs[0xE6] = calH4>>4, calH4&0xF|calH5&0xF<<4, calH5>>4
	d.regs[0xE7] = calH6
	copy(d.regs[0xF7:], []byte{0x80, 0, 0, 0x80, 0, 0, 0x80, 0})
}

// measure fills the data registers. A quantity whose sampling is off shows its
// power-on value.
func (d *BME280) measure() {
	copy(d.regs[0xF7:], []byte{0x80, 0, 0, 0x80, 0, 0, 0x80, 0})
	fine := d.Air.Celsius * 5120
	if d.regs[0xF4]>>5 != 0 {
		adc := uint32(sort.Search(1<<20, func(a int) bool { return tempFine(float64(a)) >= fine }))
		d.regs[0xFA], d.regs[0xFB], d.regs[0xFC] = byte(adc>>12), byte(adc>>4), byte(adc<<4)
	}
	if d.regs[0xF2]&7 != 0 {
		adc := sort.Search(1<<16-1, func(a int) bool { return humidity(float64(a), fine) >= d.Air.Percent })
		binary.BigEndian.PutUint16(d.regs[0xFD:], uint16(adc))
	}
	d.doneAt = time.Now().Add(9300 * time.Microsecond)
}

func tempFine(adc float64) float64 {
	v1 := (adc/16384 - calT1/1024.0) * calT2
	v2 := adc/131072 - calT1/8192.0
	return v1 + v2*v2*calT3
}

func humidity(adc, fine float64) float64 {
	h := fine - 76800
	h = (adc - (calH4*64.0 + calH5/16384.0*h)) *
		(calH2 / 65536.0 * (1 + calH6/67108864.0*h*(1+calH3/67108864.0*h)))
	return h * (1 - calH1*h/524288)
}

// A BH1750 models ROHM's BH1750.
type BH1750 struct {
	Air    *Air
	on     bool
	doneAt time.Time
	next   uint16
	data   uint16
}

// Write takes a one-byte command; the chip acknowledges any.
func (d *BH1750) Write(p []byte) error {
	for _, c := range p {
		switch c {
		case 0x00:
			d.on = false
		case 0x01:
			d.on = true
		case 0x20:
			if d.on {
				d.next = uint16(min(math.Round(d.Air.Lux*1.2), 65535))
				d.doneAt = time.Now().Add(120 * time.Millisecond)
			}
		}
	}
	return nil
}

// Read hands out the last finished measurement, zero before the first.
func (d *BH1750) Read(p []byte) error {
	if !d.doneAt.IsZero() && !time.Now().Before(d.doneAt) {
		d.data, d.doneAt, d.on = d.next, time.Time{}, false
	}
	copy(p, []byte{byte(d.data >> 8), byte(d.data)})
	return nil
}

// Reset restarts the chip, powered down.
func (d *BH1750) Reset() { *d = BH1750{Air: d.Air} }
