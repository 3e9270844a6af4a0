//go:build !linux

package i2c

import "errors"

func openPort(string) (port, error) {
	return nil, errors.New("I2C buses are reached through Linux's /dev/i2c-N only")
}
