package sim

import (
	"bytes"
	"errors"
	"fmt"
	"text/template"
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

// roomTOML is a room as a configuration with simulated probes. Enclosures without a
// species are given one.
const roomTOML = `[room]
id = "simulated"
name = "Simulated room"
timezone = "{{zone .Location}}"
poll = "{{.Step}}"
{{range .Lamps}}
[[lamps]]
id = "{{.ID}}"
on = "{{.On}}"
{{end}}{{range .Mists}}
[[mist]]
id = "{{.ID}}"
supply = "{{.Supply}}"
times = [{{range $i, $at := .Times}}{{if $i}}, {{end}}"{{$at}}"{{end}}]
{{end}}{{range .Enclosures}}
[[enclosure]]
id = "{{.ID}}"
name = "Tank {{.ID}}"
rack = "{{or .Rack "a"}}"
shelf = {{or .Shelf 1}}
slot = {{or .Slot 1}}
species = "{{or .Species "dendrobates-tinctorius"}}"
stage = "{{or .Stage "adult"}}"
volume = "{{or .Litres 91.0}} L"
{{with .Lamps}}lamps = "{{.}}"
{{end}}{{with .Mist}}mist = "{{.}}"
{{end}}{{end}}{{range .Probes}}
[[probe]]
id = "{{.ID}}"
family = "simulated"
place = "{{.Place}}"
{{with .Enclosure}}enclosure = "{{.}}"
{{end}}{{end}}`

// TOML writes the room as a configuration, for whatever is to watch over it.
func (o Options) TOML() []byte {
	var b bytes.Buffer
	t := template.Must(template.New("room").Funcs(template.FuncMap{"zone": zoneName}).Parse(roomTOML))
	if err := t.Execute(&b, o.withDefaults()); err != nil {
		panic(err) // the text above does not fit the types
	}
	return b.Bytes()
}

// zoneName is a name that time.LoadLocation takes; a fixed zone has none.
func zoneName(loc *time.Location) string {
	if loc == nil || loc == time.Local {
		return "UTC"
	}
	return loc.String()
}
