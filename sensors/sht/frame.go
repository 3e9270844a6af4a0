package sht

import (
	"math"

	"dewline/sensors"
	"dewline/sensors/i2c"
)

// words checks a frame of 16-bit words, each followed by its CRC, and returns
// the words. Frames of one to three words occur.
func words(frame []byte) ([3]uint16, error) {
	var out [3]uint16
	n := len(frame)
	if i2c.All(frame, 0) {
		return out, sensors.Faultf(sensors.AllZero, "frame of %d zeros", n)
	}
	// A chip that stops in mid-frame leaves the line high, so the rest reads
	// 0xFF. One true frame in 65,536 ends like that and is lost with the others.
	if frame[n-2] == 0xFF && frame[n-1] == 0xFF {
		return out, sensors.Faultf(sensors.BadCRC, "frame % x breaks off", frame)
	}
	for i := 0; i+2 < n; i += 3 {
		if got, want := frame[i+2], i2c.CRC8(frame[i], frame[i+1]); got != want {
			return out, sensors.Faultf(sensors.BadCRC, "frame % x: word %d has CRC %#02x, want %#02x", frame, i/3, got, want)
		}
		out[i/3] = uint16(frame[i])<<8 | uint16(frame[i+1])
	}
	return out, nil
}

// scaled returns offset + span·word/65535 in hundredths of the quantity's
// unit, rounded to the nearest.
func scaled(word uint16, offset, span float64) int32 {
	return int32(math.Round(100 * (offset + span*float64(word)/65535)))
}
