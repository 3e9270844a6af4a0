// Package table lists the probe families, one row each, made by the package that drives
// the family. Whoever asks what a family is, how it is reached, what its sections of a
// configuration hold or what it can measure asks here.
package table

import (
	"errors"

	"dewline/configs"
	"dewline/sensors"
	"dewline/sensors/aht20"
	"dewline/sensors/bh1750"
	"dewline/sensors/bme280"
	"dewline/sensors/ds18b20"
	"dewline/sensors/i2c"
	"dewline/sensors/iio"
	"dewline/sensors/remote"
	"dewline/sensors/sht"
)

// Families returns the rows, in the order in which a scan asks at an address
// that several may have.
func Families() Rows {
	return Rows{
		sht.SHT4x(),
		sht.HDC302x(),
		sht.SHT3x(),
		bme280.Family(),
		aht20.Family(),
		bh1750.Family(),
		ds18b20.Family(),
		iio.Family(),
		remote.Family(),
		simulated(),
	}
}

// simulated is the row of the probes of dewline's own physical room. What they
// measure is that room's business.
func simulated() sensors.Family {
	return sensors.Family{
		Name: "simulated", DemoOnly: true, Measures: sensors.Both,
		Limits: sensors.Limits{
			Coldest: -4000, Hottest: 12500, Driest: -600, Wettest: 11900, Coarse: 1,
			Accuracy: sensors.Accuracy{Celsius: 0.2, CelsiusYear: 0.03, Percent: 2.0, PercentAt100: 4.0, PercentYear: 0.25, Hysteresis: 0.8},
		},
		Open: func(configs.Probe, i2c.Bus) (sensors.Sampler, error) {
			return nil, errors.New("a simulated probe exists in dewline demo only; give the family of a real one")
		},
		Wire: func(configs.Probe) string { return "simulated" },
	}
}

// Of returns the row of a family; false for a name that is none.
func Of(name string) (sensors.Family, bool) { return Families().Of(name) }

// Limits returns the limits of a family by its name, and the widest for a name
// that is none.
func Limits(name string) sensors.Limits {
	if f, ok := Of(name); ok {
		return f.Limits
	}
	return sensors.WidestLimits()
}

// NewJudge returns a judge for a probe of a family.
func NewJudge(id sensors.ProbeID, family string) *sensors.Judge {
	return sensors.NewJudge(id, Limits(family))
}

// Load reads and checks the configuration at path; see configs.Load.
func Load(path string) (*configs.Config, error) { return configs.Load(path, Families()) }

// LoadInForce reads a configuration that may be in force already; see
// configs.LoadInForce.
func LoadInForce(path string) (*configs.Config, configs.Faults, error) {
	return configs.LoadInForce(path, Families())
}

// DecodeInForce is LoadInForce of a text; see configs.DecodeInForce.
func DecodeInForce(name string, data []byte) (*configs.Config, configs.Faults, error) {
	return configs.DecodeInForce(name, data, Families())
}

// Decode reads and checks a configuration; see configs.Decode.
func Decode(name string, data []byte) (*configs.Config, error) {
	return configs.Decode(name, data, Families())
}
