package configs

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"
)

// family says how probes of one kind are reached and what they measure.
type family struct {
	needs, allows         []string // keys beside those of every probe
	addresses             []int    // on the I2C bus, from the data sheet; the first is the default
	temperature, humidity bool
}

// The keys of a [[probe]] by how it is reached. everyProbe lists the keys that make sense for every family.
var everyProbe = []string{"id", "family", "place", "enclosure", "rack", "shelf", "budget", "floor_probe"}

var (
	onBus     = []string{"bus"}
	busKeys   = []string{"address", "mux_address", "mux_channel"}
	withPulse = []string{"address", "mux_address", "mux_channel", "heater_every"}
	nodeKeys  = []string{"temperature_pointer", "temperature_unit", "humidity_pointer", "humidity_unit", "time_pointer", "max_age"}
)

// families are the probe families. Addresses: data sheets of SHT4x (Sensirion,
// variants A, B and C), SHT3x-DIS, BME280 (Bosch), AHT20 (Aosong), HDC302x
// (Texas Instruments), BH1750FVI (Rohm).
var families = map[string]family{
	"sht4x":     {needs: onBus, allows: withPulse, addresses: []int{0x44, 0x45, 0x46}, temperature: true, humidity: true},
	"sht3x":     {needs: onBus, allows: withPulse, addresses: []int{0x44, 0x45}, temperature: true, humidity: true},
	"hdc302x":   {needs: onBus, allows: withPulse, addresses: []int{0x44, 0x45, 0x46, 0x47}, temperature: true, humidity: true},
	"bme280":    {needs: onBus, allows: busKeys, addresses: []int{0x76, 0x77}, temperature: true, humidity: true},
	"aht20":     {needs: onBus, allows: busKeys, addresses: []int{0x38}, temperature: true, humidity: true},
	"bh1750":    {needs: onBus, allows: busKeys, addresses: []int{0x23, 0x5c}},
	"ds18b20":   {needs: []string{"path"}, temperature: true},
	"iio":       {needs: []string{"path"}, temperature: true, humidity: true},
	"remote":    {needs: []string{"topic"}, allows: nodeKeys},
	"simulated": {temperature: true, humidity: true},
}

// MeasuresTemperature reports whether the probe can deliver a temperature.
func (p Probe) MeasuresTemperature() bool {
	return families[p.Family].temperature || (p.Family == "remote" && p.TemperaturePointer != "")
}

// MeasuresHumidity reports whether the probe can deliver a relative humidity;
// an IIO directory may turn out not to.
func (p Probe) MeasuresHumidity() bool {
	return families[p.Family].humidity || (p.Family == "remote" && p.HumidityPointer != "")
}

// probes checks each probe: where it hangs, how it is reached, what it is for.
func (k *checker) probes() {
	seen, floors, sources := map[string]int{}, map[string]string{}, map[string]string{}
	for i, p := range k.c.Probes {
		if k.full() {
			return
		}
		t := k.doc.item("probe", i)
		k.identity(t, "probe", p.ID, seen)
		k.hangs(t, p)
		k.reached(t, p)
		k.node(t, p)
		k.floorProbe(t, p, floors)
		k.durations(t,
			within{"budget", p.Budget, second / 100, minute},
			within{"max_age", p.MaxAge, second, 24 * hour},
		)
		if p.HeaterEvery != 0 {
			k.durations(t, within{"heater_every", p.HeaterEvery, 10 * minute, Duration(30 * day)})
		}
		k.sameSource(t, p, sources)
	}
}

// sameSource checks that no two probes read one file or one value of a node:
// the twin would agree with itself for ever.
func (k *checker) sameSource(t *element, p Probe, sources map[string]string) {
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
func (k *checker) hangs(t *element, p Probe) {
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

// reached checks that a probe has the keys of its family and no others: a key
// of another family is a sign that the family is wrong.
func (k *checker) reached(t *element, p Probe) {
	f, known := families[p.Family]
	if !known {
		do := didYouMean(p.Family, families, "write ")
		if !t.has("family") {
			k.fault(t, "family", "add family, one of "+familyNames(), "probe %q has no family", p.ID)
			return
		}
		k.fault(t, "family", do, "family = %q is not known", p.Family)
		return
	}
	for _, key := range f.needs {
		if !t.has(key) {
			k.fault(t, "", "add "+key, "probe %q of family %s has no %s", p.ID, p.Family, key)
		}
	}
	for _, key := range t.names {
		if !slices.Contains(everyProbe, key) && !slices.Contains(f.needs, key) && !slices.Contains(f.allows, key) {
			k.fault(t, key, "remove it", "%s means nothing for a probe of family %s", key, p.Family)
		}
	}
	if t.has("bus") && !filepath.IsAbs(p.Bus) {
		k.fault(t, "bus", `write the full path, as in "/dev/i2c-1"`, "bus = %q is not a full path", p.Bus)
	}
	if t.has("path") && !filepath.IsAbs(p.Path) {
		k.fault(t, "path", `write the full path, as in "/sys/bus/w1/devices/28-0123456789ab"`, "path = %q is not a full path", p.Path)
	}
	k.wiring(t, p, f)
}

func familyNames() string {
	names := make([]string, 0, len(families))
	for name := range families {
		names = append(names, name)
	}
	return listed(names)
}

// wiring checks the numbers of a probe on an I2C bus.
func (k *checker) wiring(t *element, p Probe, f family) {
	if len(f.addresses) > 0 && !slices.Contains(f.addresses, p.Address) {
		k.fault(t, "address", "write "+hexList(f.addresses), "a probe of family %s does not answer at %#x", p.Family, p.Address)
	}
	if t.has("mux_address") && (p.MuxAddress < 0x70 || p.MuxAddress > 0x77) {
		k.fault(t, "mux_address", "write 0x70 to 0x77", "a multiplexer does not answer at %#x", p.MuxAddress)
	}
	if t.has("mux_channel") && (p.MuxChannel < 0 || p.MuxChannel > 7) {
		k.fault(t, "mux_channel", "write 0 to 7", "mux_channel = %d is not on the chip", p.MuxChannel)
	}
	k.together(t, "mux_address", "mux_channel")
}

func hexList(addresses []int) string {
	words := make([]string, len(addresses))
	for i, a := range addresses {
		words[i] = fmt.Sprintf("%#x", a)
	}
	return strings.Join(words, " or ")
}

// node checks how the JSON of a remote node is read. A topic with a wildcard
// would mix several nodes into one probe.
func (k *checker) node(t *element, p Probe) {
	if p.Family != "remote" {
		return
	}
	if !t.has("temperature_pointer") && !t.has("humidity_pointer") {
		k.fault(t, "", `add temperature_pointer = "/temperature" or humidity_pointer`, "probe %q reads nothing from its node's JSON", p.ID)
	}
	for _, x := range []struct{ key, got string }{
		{"temperature_pointer", p.TemperaturePointer}, {"humidity_pointer", p.HumidityPointer}, {"time_pointer", p.TimePointer},
	} {
		if x.got != "" && !strings.HasPrefix(x.got, "/") {
			k.fault(t, x.key, fmt.Sprintf("write %q", "/"+x.got), "%s = %q is not a JSON pointer (RFC 6901)", x.key, x.got)
		}
	}
	if strings.ContainsAny(p.Topic, "+#") {
		k.fault(t, "topic", "write the topic of one node", "topic = %q has a wildcard", p.Topic)
	}
	if k.c.MQTT.Broker == "" {
		k.fault(t, "topic", "add [mqtt] with a broker", "probe %q comes through a broker and there is none", p.ID)
	}
	k.oneOf(t, "temperature_unit", p.TemperatureUnit, "°C", "F")
	k.oneOf(t, "humidity_unit", p.HumidityUnit, "%", "ratio")
}

// floorProbe allows one probe per enclosure to be named for the floor.
func (k *checker) floorProbe(t *element, p Probe, floors map[string]string) {
	if !p.FloorProbe {
		return
	}
	other, twice := floors[p.Enclosure]
	switch {
	case !p.MeasuresHumidity() && families[p.Family].temperature:
		k.fault(t, "floor_probe", "set it on a probe that measures humidity", "probe %q cannot judge the floor", p.ID)
	case p.Enclosure == "":
	case twice:
		k.fault(t, "floor_probe", "set it on one of them", "probes %q and %q both judge the floor of enclosure %q", other, p.ID, p.Enclosure)
	}
	floors[p.Enclosure] = p.ID
}

// buses checks that no two chips on one bus answer at one address: their
// answers would mix into a value that looks right.
func (k *checker) buses() {
	type place struct {
		bus     string
		address int
	}
	// By address, so that a rack of hundreds is not compared pair by pair.
	at, muxes := map[place][]int{}, map[place]string{}
	for i, p := range k.c.Probes {
		if p.Bus == "" || len(families[p.Family].addresses) == 0 {
			continue
		}
		here := place{p.Bus, p.Address}
		for _, j := range at[here] {
			if other := k.c.Probes[j]; clash(p, other) {
				k.fault(k.doc.item("probe", i), k.wireKey(i), "correct bus, address, mux_address or mux_channel of one of them",
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
func (k *checker) wireKey(i int) string {
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
