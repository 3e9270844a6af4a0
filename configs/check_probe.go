package configs

import (
	"fmt"
	"slices"
	"strings"
)

func (k probes) probes() {
	floors, sources := map[string]string{}, map[string]string{}
	for i, p := range k.c.Probes {
		if k.full() {
			return
		}
		t := k.item("probe", i)
		k.hangs(t, p)
		k.families.Check(t, p)
		k.floorProbe(t, p, floors)
		k.sameSource(t, p, sources)
	}
}

// sameSource checks that no two probes read one file or one value of a node:
// the twin would agree with itself for ever.
func (k probes) sameSource(t *Section, p Probe, sources map[string]string) {
	key, source := "path", p.Path
	if p.Topic != "" {
		key, source = "topic", strings.Join([]string{p.Topic, p.TemperaturePointer, p.HumidityPointer}, " ")
	}
	if source == "" {
		return
	}
	if other, twice := sources[source]; twice {
		t.Fault(key, "give each its own", "probes %q and %q read the same %s", other, p.ID, key)
	}
	sources[source] = p.ID
}

func (k probes) hangs(t *Section, p Probe) {
	if !t.Has("place") {
		t.Fault("place", "add place, one of "+quoteJoin(placeNames), "probe %q has no place", p.ID)
		return
	}
	if t.faulty("place") {
		return
	}
	apart := p.Place == InRoom || p.Place == Outdoor
	switch {
	case apart && p.Enclosure != "":
		t.Fault("enclosure", `remove enclosure, or write place = "canopy"`, "probe %q hangs in an enclosure and has place = %q", p.ID, p.Place)
	case apart:
	case p.Enclosure == "":
		t.Fault("enclosure", `add enclosure, or write place = "room"`, "probe %q hangs in the %s of no enclosure", p.ID, p.Place)
	default:
		t.reference("enclosure", p.Enclosure, "enclosure")
	}
}

var placeNames = []string{string(Litter), string(Canopy), string(Water), string(InRoom), string(Outdoor)}

// floorProbe allows one probe per enclosure to be named for the floor.
func (k probes) floorProbe(t *Section, p Probe, floors map[string]string) {
	if !p.FloorProbe {
		return
	}
	other, twice := floors[p.Enclosure]
	switch {
	case p.MeasuresTemperature() && !p.MeasuresHumidity() && p.Topic == "":
		t.Fault("floor_probe", "set it on a probe that measures humidity", "probe %q cannot judge the floor", p.ID)
	case p.Enclosure == "":
	case twice:
		t.Fault("floor_probe", "set it on one of them", "probes %q and %q both judge the floor of enclosure %q", other, p.ID, p.Enclosure)
	}
	floors[p.Enclosure] = p.ID
}

// buses checks that no two chips on one bus answer at one address: their
// answers would mix into a value that looks right.
func (k probes) buses() {
	type place struct {
		bus     string
		address int
	}
	// By address, so that a rack of hundreds is not compared pair by pair.
	at, muxes := map[place][]int{}, map[place]string{}
	for i, p := range k.c.Probes {
		// What no known family has a bus for was told of already.
		t := k.item("probe", i)
		if p.Bus == "" || p.Address == 0 || !t.Has("family") || t.faulty("family") || t.faulty("bus") {
			continue
		}
		here := place{p.Bus, p.Address}
		for _, j := range at[here] {
			if other := k.c.Probes[j]; clash(p, other) {
				t.Fault(k.wireKey(i), "correct bus, address, mux_address or mux_channel of one of them",
					"probes %q and %q both answer at %#x on %s", other.ID, p.ID, p.Address, wire(p))
				break
			}
		}
		at[here] = append(at[here], i)
		if p.MuxAddress != 0 {
			muxes[place{p.Bus, p.MuxAddress}] = p.ID
		}
	}
	for i, p := range k.c.Probes {
		if behind, taken := muxes[place{p.Bus, p.Address}]; taken {
			k.item("probe", i).Fault(k.wireKey(i), "set one of them to another address",
				"probe %q answers at %#x on %s, where the multiplexer of probe %q is", p.ID, p.Address, p.Bus, behind)
		}
	}
}

// wireKey is the key that a collision of probe i is reported at.
func (k probes) wireKey(i int) string {
	t := k.item("probe", i)
	for _, key := range []string{"mux_channel", "address", "bus"} {
		if t.Has(key) {
			return key
		}
	}
	return "id"
}

// clash reports whether two chips with one address on one bus can hear the
// same call: a chip before the multiplexers always does.
func clash(a, b Probe) bool {
	return a.MuxAddress == 0 || b.MuxAddress == 0 || (a.MuxAddress == b.MuxAddress && a.MuxChannel == b.MuxChannel)
}

func wire(p Probe) string {
	if p.MuxAddress == 0 {
		return p.Bus
	}
	return fmt.Sprintf("%s behind channel %d of multiplexer %#x", p.Bus, p.MuxChannel, p.MuxAddress)
}

func (k probes) contacts() {
	lines := map[string]string{}
	for i := range k.c.Contacts {
		c, t := &k.c.Contacts[i], k.item("contact", i)
		// Both are subjects of alarms.
		if c.ID != "" && slices.ContainsFunc(k.c.Probes, func(p Probe) bool { return p.ID == c.ID }) {
			t.Fault("id", "give each its own", "the id %q of this [[contact]] is that of a probe", c.ID)
			continue
		}
		t.FaultIf(slices.Contains(k.ids["enclosure"], c.ID), "id",
			"give each its own", "the id %q of this [[contact]] is that of an enclosure", c.ID)
		if !t.Has("is") {
			t.Fault("is", "add is, one of "+listed(senses), "contact %q does not say what it is", c.ID)
			continue
		}
		if t.faulty("is") {
			continue
		}
		k.contactFrom(t, c, lines)
		k.contactServes(t, c)
		k.battery(t, c)
	}
}

func (k probes) contactFrom(t *Section, c *Contact, lines map[string]string) {
	switch {
	case c.Chip != "" && c.Topic != "":
		t.Fault("topic", "write one of them", "contact %q has a GPIO line and a topic", c.ID)
	case c.Chip == "" && c.Topic == "":
		t.Fault("", `add chip = "/dev/gpiochip0" and line, or topic and pointer`, "contact %q is read nowhere", c.ID)
	case c.Chip != "" && c.Is == SenseBattery:
		t.Fault("chip", "write topic and pointer", "a GPIO line has no figure to tell the battery of contact %q by", c.ID)
	}
	k.contactNode(t, c)
	k.contactLine(t, c, lines)
}

func (k probes) contactNode(t *Section, c *Contact) {
	t.Together("topic", "pointer")
	for _, key := range []string{"bias", "debounce"} {
		t.FaultIf(t.Has(key) && c.Topic != "", key, "remove it", "%s is for a GPIO line only", key)
	}
	t.Node(fmt.Sprintf("contact %q", c.ID), c.Topic, map[string]string{"pointer": c.Pointer, "time_pointer": c.TimePointer})
}

func (k probes) contactLine(t *Section, c *Contact, lines map[string]string) {
	t.Together("chip", "line")
	t.gpioLine(c.Chip, c.Line)
	if c.Chip == "" {
		return
	}
	at := fmt.Sprint(c.Chip, " ", c.Line)
	if other, twice := lines[at]; twice {
		t.Fault("line", "give each its own", "contacts %q and %q are on one line", other, c.ID)
	}
	if s := k.c.Sounder; s.Chip == c.Chip && s.Line == c.Line {
		t.Fault("line", "give each its own", "contact %q is on the line of the sounder", c.ID)
	}
	lines[at] = c.ID
}

func (k probes) contactServes(t *Section, c *Contact) {
	for j, id := range c.Serves {
		if !slices.Contains(k.ids["enclosure"], id) {
			k.add(t.item("serves", j).key, "write one of "+listed(k.ids["enclosure"]), "serves = %q names no [[enclosure]]", id)
		}
	}
	if c.Mist != "" {
		t.reference("mist", c.Mist, "mist")
		t.FaultIf(c.Is != SensePump && c.Is != SenseReservoir, "mist",
			"remove it", "mist is for a pump or a reservoir, and contact %q is a %s", c.ID, c.Is)
	}
	t.FaultIf(c.Is == SenseDoor && len(c.Serves) == 0, "serves",
		`add serves = ["…"] with its enclosure`, "contact %q is the door of no enclosure", c.ID)
}

func (k probes) battery(t *Section, c *Contact) {
	switch {
	case c.Is != SenseBattery && t.Has("low"):
		t.Fault("low", "remove it", "low is for a battery, and contact %q is a %s", c.ID, c.Is)
	case c.Is == SenseBattery && !t.Has("low"):
		t.Fault("", `add low = "20 %" or "3.3 V"`, "nobody knows when the battery of contact %q is low", c.ID)
	}
}
