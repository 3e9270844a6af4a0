package sim

import (
	"bytes"
	"errors"
	"fmt"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// Family is the name of simulated probes in a configuration.
const Family = "simulated"

// FromConfig describes a room with the configuration's enclosures, schedules
// and those probes whose family is "simulated". Start's location gives way to
// the room's.
func FromConfig(cfg *configs.Config, seed uint64, start time.Time) (Options, error) {
	if cfg == nil {
		return Options{}, errors.New("simulated room: no configuration")
	}
	o := Options{Seed: seed, Start: start, Location: cfg.Room.Location}
	for _, l := range cfg.Lamps {
		o.Lamps = append(o.Lamps, Lamps{ID: l.ID, On: l.On})
	}
	for _, m := range cfg.Mists {
		o.Mists = append(o.Mists, Mist{ID: m.ID, Supply: m.Supply, Times: m.Times})
	}
	for _, e := range cfg.Enclosures {
		o.Enclosures = append(o.Enclosures, Enclosure{
			ID: e.ID, Rack: e.Rack, Shelf: e.Shelf, Slot: e.Slot,
			Species: e.Species, Stage: string(e.Stage), Litres: float64(e.Volume),
			Lamps: e.Lamps, Mist: e.Mist,
		})
	}
	for _, p := range cfg.Probes {
		if p.Family != Family {
			continue
		}
		o.Probes = append(o.Probes, Probe{
			ID: sensors.ProbeID(p.ID), Enclosure: p.Enclosure, Place: p.Place,
			NoHumidity: p.Place == configs.Water,
		})
	}
	if err := o.withDefaults().validate(); err != nil {
		return Options{}, fmt.Errorf("simulated room: %w", err)
	}
	return o, nil
}

// TOML writes the room as a configuration with simulated probes, for whatever
// is to watch over it. Enclosures without a species are given one.
func (o Options) TOML() []byte {
	o = o.withDefaults()
	var b bytes.Buffer
	fmt.Fprintf(&b, "[room]\nid = \"simulated\"\nname = \"Simulated room\"\ntimezone = %q\npoll = %q\n",
		zoneName(o.Location), o.Step)
	for _, l := range o.Lamps {
		fmt.Fprintf(&b, "\n[[lamps]]\nid = %q\non = \"%s-%s\"\n", l.ID, clock(l.On.From), clock(l.On.To))
	}
	for _, m := range o.Mists {
		fmt.Fprintf(&b, "\n[[mist]]\nid = %q\nsupply = %q\ntimes = [", m.ID, m.Supply)
		for i, at := range m.Times {
			if i > 0 {
				b.WriteString(", ")
			}
			fmt.Fprintf(&b, "%q", clock(at))
		}
		b.WriteString("]\n")
	}
	for _, e := range o.Enclosures {
		e.toml(&b)
	}
	for _, p := range o.Probes {
		fmt.Fprintf(&b, "\n[[probe]]\nid = %q\nfamily = %q\nplace = %q\n", p.ID, Family, p.Place)
		if p.Enclosure != "" {
			fmt.Fprintf(&b, "enclosure = %q\n", p.Enclosure)
		}
	}
	return b.Bytes()
}

func (e Enclosure) toml(b *bytes.Buffer) {
	species, stage, rack := e.Species, e.Stage, e.Rack
	if species == "" {
		species = easySpecies
	}
	if stage == "" {
		stage = string(configs.Adult)
	}
	if rack == "" {
		rack = "a"
	}
	litres := e.Litres
	if litres == 0 {
		litres = refLitres
	}
	fmt.Fprintf(b, "\n[[enclosure]]\nid = %q\nname = %q\nrack = %q\nshelf = %d\nslot = %d\n",
		e.ID, "Tank "+e.ID, rack, max(1, e.Shelf), max(1, e.Slot))
	fmt.Fprintf(b, "species = %q\nstage = %q\nvolume = \"%g L\"\n", species, stage, litres)
	if e.Lamps != "" {
		fmt.Fprintf(b, "lamps = %q\n", e.Lamps)
	}
	if e.Mist != "" {
		fmt.Fprintf(b, "mist = %q\n", e.Mist)
	}
}

func clock(at configs.ClockTime) string { return fmt.Sprintf("%02d:%02d", at/60, at%60) }

// zoneName is a name that time.LoadLocation takes; a fixed zone has none.
func zoneName(loc *time.Location) string {
	if loc == nil || loc == time.Local {
		return "UTC"
	}
	return loc.String()
}
