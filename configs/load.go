package configs

import (
	"fmt"
	"io"
	"os"
	"time"
)

// Load reads and decodes the file at path. Where the file was read but its
// content is at fault the error is a *Faults.
func Load(path string) (*Config, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the configuration: %w", err)
	}
	return Decode(path, data)
}

// Decode turns the TOML in data into a complete Config. The error is a *Faults
// with every fault found; name stands for the file in them.
func Decode(name string, data []byte) (*Config, error) { return &Config{}, nil }

// Example returns the commented example of a room with real probes.
func Example() []byte { return nil }

// Demo returns the room that `dewline demo` simulates.
func Demo() []byte { return nil }

// SpeciesTable returns a fresh copy of the embedded species table.
func SpeciesTable() []Species { return nil }

// SpeciesFor returns the limits in force for e: its species with the keeper's
// own values, then the changes that e's stage asks for, then e's own ceiling
// and floor.
func (c *Config) SpeciesFor(e Enclosure) Species { return Species{} }

// LampsOf returns the lamp schedule of e; false where it has none.
func (c *Config) LampsOf(e Enclosure) (Lamps, bool) { return Lamps{}, false }

// MistOf returns the misting schedule of e; false where it has none.
func (c *Config) MistOf(e Enclosure) (Mist, bool) { return Mist{}, false }

// ProbesOf returns the probes of the enclosure with that id, in file order.
func (c *Config) ProbesOf(enclosureID string) []Probe { return nil }

// IsOn reports whether the lamps are on at wall, read on the clock of loc.
func (l Lamps) IsOn(wall time.Time, loc *time.Location) bool { return false }

// NextChange returns the first moment after wall at which IsOn changes.
func (l Lamps) NextChange(wall time.Time, loc *time.Location) time.Time { return time.Time{} }

// Next returns the first due pulse after wall; zero for an empty schedule.
func (m Mist) Next(wall time.Time, loc *time.Location) time.Time { return time.Time{} }

// Prev returns the last due pulse at or before wall; zero for an empty schedule.
func (m Mist) Prev(wall time.Time, loc *time.Location) time.Time { return time.Time{} }

// ReadSecret reads a secret from a file, or from the systemd credential of
// that name in credentialsDir ($CREDENTIALS_DIRECTORY) when it has no slash.
func ReadSecret(nameOrPath, credentialsDir string) (string, error) { return "", nil }

// FormatLimits writes the limits in force for every enclosure as text.
func FormatLimits(w io.Writer, c *Config) error { return nil }
