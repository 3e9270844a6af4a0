package sounder

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// LEDs is where the kernel shows its LEDs.
const LEDs = "/sys/class/leds"

// An led is one of the kernel's, by the directory that shows it
// (Documentation/leds/leds-class.rst).
type led struct{ brightness, full string }

// OpenLED takes an LED out of the hands of its trigger and turns it off.
func OpenLED(dir string) (Output, error) {
	full, err := os.ReadFile(filepath.Join(dir, "max_brightness"))
	if err != nil {
		return nil, fmt.Errorf("look for the LED: %w", err)
	}
	l := &led{brightness: filepath.Join(dir, "brightness"), full: strings.TrimSpace(string(full))}
	// Without triggers in the kernel there is no such file.
	if err := put(filepath.Join(dir, "trigger"), "none"); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("take the LED from its trigger: %w", err)
	}
	if err := l.Set(false); err != nil {
		return nil, err
	}
	return l, nil
}

func (l *led) Set(on bool) error {
	value := "0"
	if on {
		value = l.full
	}
	if err := put(l.brightness, value); err != nil {
		return fmt.Errorf("set the LED: %w", err)
	}
	return nil
}

func (*led) Close() error { return nil }

// put writes an attribute, which is never created.
func put(path, value string) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_TRUNC, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteString(value)
	return errors.Join(err, f.Close())
}
