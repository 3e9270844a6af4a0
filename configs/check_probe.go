package configs

import (
	"fmt"
	"strings"
)

// probes checks each probe: where it hangs, how it is reached, what it is for.
func (k probes) probes() {
	floors, sources := map[string]string{}, map[string]string{}
	for i, p := range k.c.Probes {
		if k.full() {
			return
		}
		t := k.doc.item("probe", i)
		k.hangs(t, p)
		k.families.Check(&Section{k.checker, t}, p, k.c)
		k.floorProbe(t, p, floors)
		k.sameSource(t, p, sources)
	}
}

// sameSource checks that no two probes read one file or one value of a node:
// the twin would agree with itself for ever.
func (k probes) sameSource(t *element, p Probe, sources map[string]string) {
	key, source := "path", p.Path
	if p.Topic != "" {
		key, source = "topic", strings.Join([]string{p.Topic, p.TemperaturePointer, p.HumidityPointer}, " ")
	}
	if source == "" {
		return
	}
	if other, twice := sources[source]; twice {
		k.fault(t, key, "give each its own", "probes %q and %q read the same %s", other, p.ID, key)
	}
	sources[source] = p.ID
}

// hangs checks where a probe hangs.
func (k probes) hangs(t *element, p Probe) {
	if !t.has("place") {
		k.fault(t, "place", "add place, one of "+quoteJoin(placeNames), "probe %q has no place", p.ID)
		return
	}
	if !k.oneOf(t, "place", string(p.Place), placeNames...) {
		return
	}
	apart := p.Place == InRoom || p.Place == Outdoor
	switch {
	case apart && p.Enclosure != "":
		k.fault(t, "enclosure", `remove enclosure, or write place = "canopy"`, "probe %q hangs in an enclosure and has place = %q", p.ID, p.Place)
	case apart:
	case p.Enclosure == "":
		k.fault(t, "enclosure", `add enclosure, or write place = "room"`, "probe %q hangs in the %s of no enclosure", p.ID, p.Place)
	default:
		k.reference(t, "enclosure", p.Enclosure, "enclosure", k.enclosureIDs)
	}
}

var placeNames = []string{string(Litter), string(Canopy), string(Water), string(InRoom), string(Outdoor)}

// floorProbe allows one probe per enclosure to be named for the floor.
func (k probes) floorProbe(t *element, p Probe, floors map[string]string) {
	if !p.FloorProbe {
		return
	}
	other, twice := floors[p.Enclosure]
	switch {
	case p.MeasuresTemperature() && !p.MeasuresHumidity() && p.Topic == "":
		k.fault(t, "floor_probe", "set it on a probe that measures humidity", "probe %q cannot judge the floor", p.ID)
	case p.Enclosure == "":
	case twice:
		k.fault(t, "floor_probe", "set it on one of them", "probes %q and %q both judge the floor of enclosure %q", other, p.ID, p.Enclosure)
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
		t := k.doc.item("probe", i)
		if p.Bus == "" || p.Address == 0 || !t.has("family") || t.faulty("family") || t.faulty("bus") {
			continue
		}
		here := place{p.Bus, p.Address}
		for _, j := range at[here] {
			if other := k.c.Probes[j]; clash(p, other) {
				k.fault(t, k.wireKey(i), "correct bus, address, mux_address or mux_channel of one of them",
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
			k.fault(k.doc.item("probe", i), k.wireKey(i), "set one of them to another address",
				"probe %q answers at %#x on %s, where the multiplexer of probe %q is", p.ID, p.Address, p.Bus, behind)
		}
	}
}

// wireKey is the key that a collision of probe i is reported at.
func (k probes) wireKey(i int) string {
	t := k.doc.item("probe", i)
	for _, key := range []string{"mux_channel", "address", "bus"} {
		if t.has(key) {
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
