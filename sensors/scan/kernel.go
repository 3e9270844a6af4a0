package scan

import (
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"dewline/sensors/kernfile"
)

// heldAddresses returns the addresses on bus n that a kernel driver holds.
func heldAddresses(sys string, n int) map[int]bool {
	held := map[int]bool{}
	prefix := strconv.Itoa(n) + "-"
	drivers, err := filepath.Glob(filepath.Join(sys, "bus/i2c/devices", prefix+"????", "driver"))
	if err != nil { // only a bad pattern
		return held
	}
	for _, d := range drivers {
		text := strings.TrimPrefix(filepath.Base(filepath.Dir(d)), prefix)
		if addr, err := strconv.ParseInt(text, 16, 32); err == nil {
			held[int(addr)] = true
		}
	}
	return held
}

// parentBus returns the bus that carries the multiplexer whose channel bus n
// is: the kernel names such a bus "i2c-1-mux (chan_id 0)".
func parentBus(sys string, n int) (int, bool) {
	name, parent := kernfile.Line(filepath.Join(sys, "bus/i2c/devices", "i2c-"+strconv.Itoa(n), "name")), 0
	_, err := fmt.Sscanf(name, "i2c-%d-mux ", &parent)
	return parent, err == nil
}
