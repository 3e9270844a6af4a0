package sim

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"text/template"
	"time"

	"dewline/configs"
	"dewline/sensors"
)

// MaxStep is the longest and the default integration step.
const MaxStep = 10 * time.Second

// Options describe a room before it starts. Zero numbers take the defaults
// named beside them, except where said otherwise.
type Options struct {
	Seed       uint64         // of every random choice, noise included
	Start      time.Time      // wall time; the room has lived unseen for two days by then
	Location   *time.Location // whose time timers keep; nil takes Start's
	Step       time.Duration  // of integration, at most MaxStep, which is the default
	Climate    Climate
	House      House
	Lamps      []configs.Lamps // one timer each, and the lamps on it
	Mists      []Mist
	Enclosures []Enclosure
	Probes     []Probe
}

// Climate is the weather outdoors: a yearly and a daily sine, warmest in late July and at
// 15:00 local standard time, and an offset that wanders from day to day.
type Climate struct {
	Mean         float64 // °C over the year; 12
	YearSwing    float64 // °C, half of July minus January; 9
	DaySwing     float64 // °C, half of afternoon minus dawn; 5
	WeatherSigma float64 // °C, spread of the daily offset; 2; negative for none
	DewPoint     float64 // °C below the day's mean temperature; 6
}

// House is the room around the racks. Gains are given as the rise in °C that they would
// hold the room at for ever.
type House struct {
	Tau          time.Duration     // time constant of the house; 10 h
	NightSet     float64           // °C; 20.25
	Day          configs.ClockSpan // when the day's set point holds; 07:00-20:00
	LampGain     float64           // °C with every lamp on; 4; negative for none
	OtherGain    float64           // °C from pumps, people, appliances; 4; negative for none
	Humidity     float64           // %RH that the air conditioner keeps at the set point; 50
	ShelfStep    float64           // °C warmer per shelf upwards; 0.2; negative for none
	Uncontrolled bool              // neither; the room follows the weather
}

// Mist is one misting timer, and the pump that feeds it.
type Mist struct {
	configs.Mist
	Pulse time.Duration // 90 s
}

// Enclosure is one tank, of 91 L where its volume is left out. Its species and stage play
// no part in the physics; TOML carries them over.
type Enclosure struct {
	configs.Enclosure
	AirChanges float64 // per hour; 4
}

// Probe is one probe and its flaws.
type Probe struct {
	ID        sensors.ProbeID
	Enclosure string // empty for a probe in the room or outside
	Place     configs.Place
	// NoHumidity makes a probe of temperature alone, as in water.
	NoHumidity bool
	Lag        time.Duration // first-order response; 20 s; negative for none
	TempOffset float64       // °C
	TempSigma  float64       // °C; 0.02; negative for none
	HumGain    float64       // 0 means 1
	HumOffset  float64       // %RH
	HumSigma   float64       // %RH; 0.1; negative for none
	// HumCreep is the offset in %RH that days above 80 %RH end at, built up
	// and lost again with a time constant of 60 h.
	HumCreep float64
}

// Glass holds the thermal figures of one enclosure, heat paths in W/K and
// capacities in J/K. The air node takes in leaves and glass; the substrate
// node is litter, soil and water.
type Glass struct {
	AirToRoom      float64
	LitterToRoom   float64
	AirToLitter    float64
	AirCapacity    float64
	LitterCapacity float64
}

const (
	tankStream  = 0x74616e6b // separates the tanks' random numbers
	defaultRise = 2.8        // °C that lamps warm the litter by
)

// withDefaults fills in what is zero, on copies of the lists.
func (o Options) withDefaults() Options {
	o.Location = cmp.Or(o.Location, o.Start.Location())
	o.Step = cmp.Or(o.Step, MaxStep)
	o.Climate = o.Climate.withDefaults()
	o.House = o.House.withDefaults()
	o.Mists = slices.Clone(o.Mists)
	for i := range o.Mists {
		m := &o.Mists[i]
		m.Supply = cmp.Or(m.Supply, m.ID)
		m.Pulse = cmp.Or(m.Pulse, 90*time.Second)
	}
	o.Probes = slices.Clone(o.Probes)
	for i := range o.Probes {
		p := &o.Probes[i]
		p.Lag = cmp.Or(p.Lag, 20*time.Second)
		p.TempSigma = cmp.Or(p.TempSigma, 0.02)
		p.HumSigma = cmp.Or(p.HumSigma, 0.1)
		p.HumGain = cmp.Or(p.HumGain, 1)
	}
	return o
}

// or returns x where it was set, none where it is negative, and otherwise the
// default.
func or(x, standard float64) float64 { return max(0, cmp.Or(x, standard)) }

func (c Climate) withDefaults() Climate {
	c.Mean = cmp.Or(c.Mean, 12)
	c.YearSwing = cmp.Or(c.YearSwing, 9)
	c.DaySwing = cmp.Or(c.DaySwing, 5)
	c.WeatherSigma = or(c.WeatherSigma, 2)
	c.DewPoint = cmp.Or(c.DewPoint, 6)
	return c
}

func (h House) withDefaults() House {
	h.Tau = cmp.Or(h.Tau, 10*time.Hour)
	h.NightSet = cmp.Or(h.NightSet, 20.25)
	h.Day = cmp.Or(h.Day, span(7*60, 20*60))
	h.LampGain = or(h.LampGain, 4)
	h.OtherGain = or(h.OtherGain, 4)
	h.Humidity = cmp.Or(h.Humidity, 50)
	h.ShelfStep = or(h.ShelfStep, 0.2)
	return h
}

// validate reports references that do not resolve, which would be taken for none.
func (o Options) validate() error {
	var faults []error
	known := func(what, of, id string, all []string) {
		if id != "" && !slices.Contains(all, id) {
			faults = append(faults, fmt.Errorf("%s: no %s %q", of, what, id))
		}
	}
	var lamps, mists, tanks []string
	for _, l := range o.Lamps {
		lamps = append(lamps, l.ID)
	}
	for _, m := range o.Mists {
		mists = append(mists, m.ID)
	}
	for _, e := range o.Enclosures {
		tanks = append(tanks, e.ID)
		known("lamps", fmt.Sprintf("enclosure %q", e.ID), e.Lamps, lamps)
		known("mist", fmt.Sprintf("enclosure %q", e.ID), e.Mist, mists)
	}
	for _, p := range o.Probes {
		known("enclosure", fmt.Sprintf("probe %q", p.ID), p.Enclosure, tanks)
	}
	if o.Start.IsZero() {
		faults = append(faults, errors.New("no start time"))
	}
	return errors.Join(faults...)
}

// addTanks builds the enclosures. What the options leave open varies a little
// from tank to tank, as carpentry does.
func (r *Room) addTanks(o Options) {
	for i, e := range o.Enclosures {
		vary := rand.New(rand.NewPCG(o.Seed^tankStream, uint64(i)))
		lampSpread, ventSpread := vary.NormFloat64()*0.03, vary.NormFloat64()*0.06
		e.Volume = cmp.Or(e.Volume, refLitres)
		e.AirChanges = cmp.Or(e.AirChanges, 4*(1+max(-0.15, min(0.15, ventSpread))))
		t := tank{
			Enclosure: e, glass: GlassFor(float64(e.Volume)),
			volume: float64(e.Volume) / 1000, scale: float64(e.Volume) / refLitres,
			lamps:       slices.IndexFunc(o.Lamps, func(l configs.Lamps) bool { return l.ID == e.Lamps }),
			mist:        slices.IndexFunc(o.Mists, func(m Mist) bool { return m.ID == e.Mist }),
			shelfWarmth: o.House.ShelfStep * float64(max(0, e.Shelf-1)),
			fault:       tankFault{nozzle: 1},
		}
		t.lampWatts = t.lampWattsFor(defaultRise) * (1 + max(-0.06, min(0.06, lampSpread)))
		r.tanks = append(r.tanks, t)
		r.tankAt[e.ID] = i
	}
}

// Family is the name of simulated probes in a configuration.
const Family = "simulated"

// FromConfig describes a room with the configuration's enclosures, schedules
// and those probes whose family is "simulated". Start's location gives way to
// the room's.
func FromConfig(cfg *configs.Config, seed uint64, start time.Time) (Options, error) {
	if cfg == nil {
		return Options{}, errors.New("simulated room: no configuration")
	}
	o := Options{Seed: seed, Start: start, Location: cfg.Room.Location, Lamps: cfg.Lamps}
	for _, m := range cfg.Mists {
		o.Mists = append(o.Mists, Mist{Mist: m})
	}
	for _, e := range cfg.Enclosures {
		o.Enclosures = append(o.Enclosures, Enclosure{Enclosure: e})
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
volume = "{{with .Volume}}{{.}}{{else}}91 L{{end}}"
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
