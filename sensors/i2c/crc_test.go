package i2c

import "testing"

// TestCRCVectors: SHT3x-DIS data sheet v7 section 4.12 (BEEF); TI SNAS817D and
// SNAU265C (ABCD, ABAB); Sensirion SHTC3 sample code (one byte 00).
func TestCRCVectors(t *testing.T) {
	for _, c := range []struct {
		data []byte
		want byte
	}{
		{[]byte{0xBE, 0xEF}, 0x92}, {[]byte{0xAB, 0xCD}, 0x6F}, {[]byte{0xAB, 0xAB}, 0x72}, {[]byte{0x00}, 0xAC},
	} {
		if got := CRC8(c.data...); got != c.want {
			t.Errorf("CRC8(% x) = %#02x, want %#02x", c.data, got, c.want)
		}
	}
}

// TestCRCFindsEverySmallError flips one, two and three bits of a word and its
// checksum; the code's Hamming distance of 4 at this length finds them all.
func TestCRCFindsEverySmallError(t *testing.T) {
	good := uint32(0xBEEF92)
	ok := func(v uint32) bool { return CRC8(byte(v>>16), byte(v>>8)) == byte(v) }
	for a := range 24 {
		for b := a; b < 24; b++ {
			for c := b; c < 24; c++ {
				flips := uint32(1)<<a | uint32(1)<<b | uint32(1)<<c
				if ok(good ^ flips) {
					t.Fatalf("flips %06x not found", flips)
				}
			}
		}
	}
}
