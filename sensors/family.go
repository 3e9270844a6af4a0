package sensors

import (
	"context"

	"periph.io/x/conn/v3/i2c"

	"dewline/configs"
)

// A Family is one kind of probe: all that dewline knows of it, made by the package that
// drives it and listed in package table. Fields left out mean "does not apply".
type Family struct {
	Name string // as in the configuration
	// Addresses on an I2C bus, from the data sheet; the first is the default.
	// A family with addresses needs the key bus and may have a multiplexer.
	Addresses []int
	// Needs and Allows are further keys of its sections.
	Needs, Allows []string
	// Check looks at what else its sections say.
	Check func(s *configs.Section, p configs.Probe)
	// Measures says what a probe can deliver beside light.
	Measures func(p configs.Probe) configs.Measures
	Limits   Limits

	// Open returns a probe, on its branch of an I2C bus where it has addresses.
	// It sends and reads nothing: a probe that is not there yet fails in Sample
	// and is picked up once it answers. The error says what is wrong with p.
	Open func(p configs.Probe, bus i2c.Bus) (Sampler, error)
	// Wire names what a probe shares with others, so that they are read one after
	// another; left out, that is the I2C bus.
	Wire     func(p configs.Probe) string
	Sends    bool // its probes speak when they like, and are read only while dewline runs
	DemoOnly bool // there are none outside the demo

	// Identify asks whether one of the family answers at an address, without
	// harm to whatever else may sit there. An empty certainty means no.
	Identify func(ctx context.Context, bus i2c.Bus, addr uint16) (detail string, c Certainty)
	// Find lists those that the kernel shows below a directory like /sys.
	Find func(sys string) ([]Finding, error)
}

// Both is Measures of a family for temperature and humidity.
func Both(configs.Probe) configs.Measures {
	return configs.Measures{Temperature: true, Humidity: true}
}
