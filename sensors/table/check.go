package table

import (
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"dewline/configs"
	"dewline/sensors"
)

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
