// Package table lists the probe families, one row each, made by the package that drives
// the family. Whoever asks what a family is, how it is reached, what its sections of a
// configuration hold or what it can measure asks here.
package table

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

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
			Coldest: -4000, Hottest: 12500, Wettest: 11900, Coarse: 1,
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

// Load reads and checks the configuration at path.
func Load(path string) (*configs.Config, error) { return configs.Strict(LoadInForce(path)) }

// LoadInForce is Load of one that may be in force already; see configs.LoadInForce.
func LoadInForce(path string) (*configs.Config, configs.Faults, error) {
	return configs.LoadInForce(path, Families())
}

// DecodeInForce is LoadInForce of a text; see configs.DecodeInForce.
func DecodeInForce(name string, data []byte) (*configs.Config, configs.Faults, error) {
	return configs.DecodeInForce(name, data, Families())
}

// Decode is Load of a text.
func Decode(name string, data []byte) (*configs.Config, error) {
	return configs.Strict(DecodeInForce(name, data))
}

// Rows are the table. They answer what a configuration asks of the families.
type Rows []sensors.Family

// Of returns the row of a family; false for a name that is none.
func (r Rows) Of(name string) (sensors.Family, bool) {
	i := slices.IndexFunc(r, func(f sensors.Family) bool { return f.Name == name })
	if i < 0 {
		return sensors.Family{}, false
	}
	return r[i], true
}

// Complete implements configs.Families.
func (r Rows) Complete(p *configs.Probe) {
	f, ok := r.Of(p.Family)
	if !ok {
		return
	}
	if p.Address == 0 && len(f.Addresses) > 0 {
		p.Address = f.Addresses[0]
	}
	if f.Measures != nil {
		p.Measures = f.Measures(*p)
	}
}

// Check implements configs.Families: a probe has the keys of its family and no
// others, since a key of another family is a sign that the family is wrong.
func (r Rows) Check(s *configs.Section, p configs.Probe) {
	f, known := r.Of(p.Family)
	if !known {
		r.unknown(s, p)
		return
	}
	needs := f.Needs
	allows := append([]string{"id", "family", "place", "enclosure", "rack", "shelf", "budget", "floor_probe"}, f.Allows...)
	if len(f.Addresses) > 0 {
		needs = append([]string{"bus"}, needs...)
		allows = append(allows, "address", "mux_address", "mux_channel")
	}
	for _, key := range needs {
		s.FaultIf(!s.Has(key), "", "add "+key, "probe %q of family %s has no %s", p.ID, p.Family, key)
	}
	for _, key := range s.Keys() {
		s.FaultIf(!slices.Contains(needs, key) && !slices.Contains(allows, key), key,
			"remove it", "%s means nothing for a probe of family %s", key, p.Family)
	}
	s.FaultIf(s.Has("bus") && !filepath.IsAbs(p.Bus), "bus",
		`write the full path, as in "/dev/i2c-1"`, "bus = %q is not a full path", p.Bus)
	s.FaultIf(s.Has("path") && !filepath.IsAbs(p.Path), "path",
		`write the full path, as in "/sys/bus/w1/devices/28-0123456789ab"`, "path = %q is not a full path", p.Path)
	wiring(s, p, f)
	if f.Check != nil {
		f.Check(s, p)
	}
}

func (r Rows) unknown(s *configs.Section, p configs.Probe) {
	var names []string
	for _, f := range r {
		names = append(names, f.Name)
	}
	slices.Sort(names)
	if s.Has("family") {
		s.OneOf("family", p.Family, names...)
		return
	}
	for i, n := range names {
		names[i] = strconv.Quote(n)
	}
	s.Fault("family", "add family, one of "+strings.Join(names, ", "), "probe %q has no family", p.ID)
}

func wiring(s *configs.Section, p configs.Probe, f sensors.Family) {
	s.FaultIf(len(f.Addresses) > 0 && !slices.Contains(f.Addresses, p.Address), "address",
		"write "+hexList(f.Addresses), "a probe of family %s does not answer at %#x", p.Family, p.Address)
	s.FaultIf(s.Has("mux_address") && (p.MuxAddress < 0x70 || p.MuxAddress > 0x77), "mux_address",
		"write 0x70 to 0x77", "a multiplexer does not answer at %#x", p.MuxAddress)
	s.FaultIf(s.Has("mux_channel") && (p.MuxChannel < 0 || p.MuxChannel > 7), "mux_channel",
		"write 0 to 7", "mux_channel = %d is not on the chip", p.MuxChannel)
	s.Together("mux_address", "mux_channel")
}

func hexList(addresses []int) string {
	words := make([]string, len(addresses))
	for i, a := range addresses {
		words[i] = fmt.Sprintf("%#x", a)
	}
	return strings.Join(words, " or ")
}
