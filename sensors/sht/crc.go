package sht

// CRC8 is the checksum of SHT3x, SHT4x, HDC302x and AHT20: polynomial 0x31,
// start 0xFF, not reflected, no final xor (SHT3x-DIS data sheet v7, section
// 4.12: 0xBEEF gives 0x92).
func CRC8(data ...byte) byte {
	crc := byte(0xFF)
	for _, b := range data {
		crc ^= b
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x31
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}
