package scan

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
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
	name := readLine(filepath.Join(sys, "bus/i2c/devices", "i2c-"+strconv.Itoa(n), "name"))
	m := regexp.MustCompile(`^i2c-(\d+)-mux `).FindStringSubmatch(name)
	if m == nil {
		return 0, false
	}
	parent, err := strconv.Atoi(m[1])
	return parent, err == nil
}

// scanOneWire lists the DS18B20 on every 1-Wire bus; their family code is part
// of the name.
func scanOneWire(sys string) ([]Finding, error) {
	dirs, err := filepath.Glob(filepath.Join(sys, "bus/w1/devices", "28-*"))
	if err != nil {
		return nil, fmt.Errorf("look for 1-Wire probes: %w", err)
	}
	var found []Finding
	for _, d := range dirs {
		found = append(found, Finding{Family: "ds18b20", Path: d, Certainty: Identified,
			Detail: "serial number " + strings.TrimPrefix(filepath.Base(d), "28-")})
	}
	return found, nil
}

// scanKernel lists IIO and hwmon directories that show a humidity, and IIO ones
// that show a temperature. hwmon ones with a temperature alone are the board's
// own processor and power supplies.
func scanKernel(sys string) ([]Finding, error) {
	var found []Finding
	for _, kind := range []struct {
		pattern string
		files   []string
	}{
		{"bus/iio/devices/iio:device*", []string{"in_humidityrelative_*", "in_temp_*"}},
		{"class/hwmon/hwmon*", []string{"humidity1_input"}},
	} {
		dirs, err := filepath.Glob(filepath.Join(sys, kind.pattern))
		if err != nil {
			return found, fmt.Errorf("look for kernel drivers: %w", err)
		}
		for _, d := range dirs {
			if !hasAny(d, kind.files) {
				continue
			}
			found = append(found, Finding{Family: "iio", Path: d, Certainty: Identified,
				Detail: "kernel driver " + readLine(filepath.Join(d, "name"))})
		}
	}
	return found, nil
}

func hasAny(dir string, patterns []string) bool {
	for _, p := range patterns {
		if hits, err := filepath.Glob(filepath.Join(dir, p)); err == nil && len(hits) > 0 {
			return true
		}
	}
	return false
}

// readLine returns a file's text, empty if it cannot be read: names are only
// shown.
func readLine(path string) string {
	b, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	return strings.TrimSpace(string(b))
}
