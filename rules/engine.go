package rules

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// How often the estimators look: a mist and a door in seconds, the rest once a
// minute.
const (
	quickEvery = 20 * time.Second
	slowEvery  = time.Minute
)

// An Engine is the decision core of one room. It is single-threaded: one
// goroutine owns it. It does no I/O and reads no clock.
type Engine struct {
	cfg    *configs.Config
	loc    *time.Location
	specs  [alarm.FirstSentinelKind][Wake + 1]alarm.Spec
	probes []probe
	byID   map[sensors.ProbeID]int
	names  []sensors.ProbeID
	after  []int // which probe's reading came after each one's, last time
	before int   // the probe whose reading came last
	encls  []enclosure
	encl   map[string]int
	lamps  []lampSet
	mists  []mistSet
	self   []*slot // alarms about dewline itself, in the order of first use
	gone   []Record
	leap   uint64 // how many onset numbers this run leaves out; see Start

	bandDead  int32 // deadbands: hundredths of °C
	floorDead int32 // and of a percent

	room      RoomState
	roomIdx   []int // probes in the room
	minute    int64 // wall minute that the schedules were read at
	synced    bool
	turn      uint32          // counts the looks at the schedules
	hourNow   float64         // local hour at seen, negative without a clock
	seen      sensors.Instant // the time that came in last
	now       sensors.Instant // latest time that came in
	began     bool
	watched   time.Duration // since then readings were awaited without a gap
	off       Off
	gap       Gap           // that nobody was told of
	minuteAt  time.Duration // running time of the last minutely round
	hourAt    time.Duration
	nightOpen bool          // probes are being compared, or that is not known
	load      Load          // what the self-measures need
	numOpen   int           // alarms that are not NORM
	ageAt     time.Duration // no value is too old until then; see Tick
	out       []Transition
	cases     []climate.Case
	values    []int32
	scratch   []float64
	verdicts  []climate.MistVerdict
	steps     []climate.LampStep
	shelfKeys []string
}

// RoomState is what is remembered of the room's air.
type RoomState struct {
	Trend climate.Trend      `json:"trend"`
	Usual climate.HourOffset `json:"usual"` // temperature by hour of day
	// UsualHum is its humidity by hour of day, in %.
	UsualHum climate.HourOffset `json:"usual_hum,omitzero"`
	SlowAt   time.Duration      `json:"slow_at"`
}

// New returns an engine for a complete configuration.
func New(cfg *configs.Config) *Engine {
	e := &Engine{minute: -1}
	e.build(cfg)
	return e
}

// build lays out the engine for a configuration, without any state.
func (e *Engine) build(cfg *configs.Config) {
	e.cfg, e.loc = cfg, cfg.Room.Location
	if e.loc == nil {
		e.loc = time.UTC
	}
	for k := range alarm.FirstSentinelKind {
		for p := Note; p <= Wake; p++ {
			e.specs[k][p] = k.Row().Spec(p, cfg.Rules)
		}
	}
	e.bandDead = int32(sensors.CelsiusOf(float64(cfg.Rules.BandDeadband)))
	e.floorDead = int32(sensors.PercentOf(float64(cfg.Rules.FloorDeadband)))
	e.byID = make(map[sensors.ProbeID]int, len(cfg.Probes))
	e.encl = make(map[string]int, len(cfg.Enclosures))
	e.lamps, e.mists, e.roomIdx, e.shelfKeys = nil, nil, nil, nil
	for _, l := range cfg.Lamps {
		e.lamps = append(e.lamps, lampSet{cfg: l})
	}
	for _, m := range cfg.Mists {
		e.mists = append(e.mists, mistSet{cfg: m})
	}
	e.encls = make([]enclosure, len(cfg.Enclosures))
	for i, c := range cfg.Enclosures {
		e.buildEnclosure(i, c)
	}
	e.probes = make([]probe, len(cfg.Probes))
	e.names, e.after, e.before = make([]sensors.ProbeID, len(cfg.Probes)), make([]int, len(cfg.Probes)), 0
	for i, c := range cfg.Probes {
		e.buildProbe(i, c)
	}
	n := len(e.encls)
	e.cases, e.values = make([]climate.Case, 0, n), make([]int32, 0, max(n, len(e.probes))+1)
	e.scratch, e.verdicts = make([]float64, 4*n+4), make([]climate.MistVerdict, 0, n)
	e.minute, e.numOpen, e.ageAt, e.seen, e.nightOpen = -1, 0, -1, sensors.Instant{}, true
}

func (e *Engine) buildEnclosure(i int, c configs.Enclosure) {
	en := &e.encls[i]
	sp := e.cfg.SpeciesFor(c)
	*en = enclosure{cfg: c, sp: sp, lim: limitsOf(sp), lamps: -1, mist: -1, doseLim: climate.DoseLimits{
		Boundary: float64(sp.Boundary), ReferenceTemp: float64(sp.ReferenceTemp),
		ReferenceTime: sp.ReferenceTime.D(), TenfoldPer: float64(sp.TenfoldPer),
	}}
	for k := range int(alarm.FirstProbeKind) {
		en.slots[k] = makeSlot(alarm.Kind(k), i, c.ID)
	}
	for j := range e.lamps {
		if e.lamps[j].cfg.ID == c.Lamps && c.Lamps != "" {
			en.lamps = j
		}
	}
	for j := range e.mists {
		if e.mists[j].cfg.ID == c.Mist && c.Mist != "" {
			en.mist = j
		}
	}
	en.shelf = e.shelfNumber(shelfName(c.Rack, c.Shelf))
	en.st.Thermal = climate.NewThermal(float64(c.Volume))
	e.encl[c.ID] = i
}

func (e *Engine) shelfNumber(key string) int {
	for i, k := range e.shelfKeys {
		if k == key {
			return i
		}
	}
	e.shelfKeys = append(e.shelfKeys, key)
	return len(e.shelfKeys) - 1
}

func (e *Engine) buildProbe(i int, c configs.Probe) {
	p := &e.probes[i]
	*p = probe{cfg: c, encl: -1}
	for k := range int(alarm.FirstSelfKind - alarm.FirstProbeKind) {
		p.slots[k] = makeSlot(alarm.FirstProbeKind+alarm.Kind(k), i, c.ID)
	}
	e.byID[sensors.ProbeID(c.ID)], e.names[i] = i, sensors.ProbeID(c.ID)
	switch {
	case c.Enclosure != "":
		j, ok := e.encl[c.Enclosure]
		if !ok {
			return
		}
		p.encl = j
		en := &e.encls[j]
		en.probes = append(en.probes, i)
		en.hasLitter = en.hasLitter || c.Place == configs.Litter
		en.namedFloor = en.namedFloor || c.FloorProbe
	case c.Place == configs.InRoom:
		e.roomIdx = append(e.roomIdx, i)
	}
}

// Step takes one reading. The transitions are valid until the next call; in
// the steady state nothing is allocated. A reading that is not newer than the
// last one of its probe, or of an unknown probe, changes nothing.
func (e *Engine) Step(r sensors.Reading) []Transition {
	e.out = e.out[:0]
	i, ok := e.index(r.Probe)
	if !ok {
		return nil
	}
	p := &e.probes[i]
	if p.st.Readings > 0 && r.At.Mono <= p.st.Last.Mono {
		return nil
	}
	e.advance(r.At)
	e.still(p, &r)
	e.watchSwap(p, &r)
	e.takeTemperature(p, &r)
	limit := p.silentAfter(&e.cfg.Rules)
	p.note(&r, e.cfg.Room.Poll.D())
	if p.st.Readings <= 2 || p.silentAfter(&e.cfg.Rules) < limit {
		e.ageAt = -1
	}
	if p.open > 0 && r.Quality != sensors.Bad && p.slot(alarm.KindSilent).open() {
		e.judgeSilent(p, r.At)
	}
	e.judgeReason(p, r.At)
	switch {
	case p.encl >= 0:
		en := &e.encls[p.encl]
		en.st.At = r.At
		e.combine(en, r.At.Mono)
		if r.Quality != sensors.Bad && e.judge(en, r.At) {
			e.estimate(en, r.At)
		}
	case p.cfg.Place == configs.InRoom:
		e.estimateRoom(r.At)
	}
	return e.out
}

// index finds a probe. The readings of a poll tend to come in the same order
// every time, which spares looking for the name.
func (e *Engine) index(id sensors.ProbeID) (int, bool) {
	if len(e.probes) == 0 {
		return 0, false
	}
	if i := e.after[e.before]; e.names[i] == id {
		e.before = i
		return i, true
	}
	i, ok := e.byID[id]
	if ok {
		e.after[e.before], e.before = i, i
	}
	return i, ok
}

// advance takes in the time. Where nothing called for long, the process stood
// still or the board slept: nobody looked.
func (e *Engine) advance(now sensors.Instant) {
	if now == e.seen && e.began {
		return
	}
	was, began := e.now, e.began
	e.note(now)
	if began {
		e.stoodStill(was, now)
	}
}

// note notes the time and reads the schedules when the minute has changed.
func (e *Engine) note(now sensors.Instant) {
	e.seen = now
	if !e.began {
		e.began, e.watched = true, now.Mono
		for i := range e.probes {
			if e.probes[i].st.Began.IsZero() {
				e.probes[i].st.Began = now
			}
		}
	}
	if now.Mono >= e.now.Mono {
		e.now = now
		if e.off.Open && now.Synced {
			e.learnOff(now)
		}
		if now.Synced {
			e.off.Set = now
		}
	}
	if minute := now.Wall.Unix() / 60; minute != e.minute || now.Synced != e.synced {
		e.minute, e.synced = minute, now.Synced
		e.readLamps(now)
	}
}

// estimate feeds the estimators with what the probes say now, each at its own
// pace, and judges what comes of them.
func (e *Engine) estimate(en *enclosure, now sensors.Instant) {
	if now.Mono-en.st.QuickAt >= quickEvery || en.st.QuickAt == 0 {
		en.st.QuickAt = now.Mono
		e.watchMist(en, now)
		e.watchDoor(en, now, e.disturbed(en, now.Mono))
	}
	if now.Mono-en.st.SlowAt < slowEvery && en.st.SlowAt != 0 {
		return
	}
	en.st.SlowAt = now.Mono
	if !en.now.hasTemp {
		return
	}
	hot, main := float64(en.now.hot)/100, float64(en.now.main)/100
	en.st.Trend.Observe(e.estAt(now.Mono), hot)
	e.learn(en, now, hot, main)
	e.watchMoist(en, now)
	e.watchNight(en, now, main)
	e.judgeAhead(en, now)
	e.judgeExposure(en, now)
}

// learn feeds the thermal model and the usual offset to the room.
func (e *Engine) learn(en *enclosure, now sensors.Instant, hot, main float64) {
	hour := e.hour(now)
	r := climate.ThermalReading{At: e.estAt(now.Mono), Air: hot, Hour: hour, Exclude: e.disturbedModel(en, now.Mono)}
	if en.lamps >= 0 && e.lamps[en.lamps].known {
		r.Lamps = climate.LampsOff
		if e.lamps[en.lamps].on {
			r.Lamps = climate.LampsOn
		}
	}
	if t, ok := e.roomTemp(now.Mono); ok {
		r.Room, r.HasRoom = float64(t)/100, true
		if hour >= 0 && !r.Exclude {
			en.st.Offset.Observe(hour, main-r.Room)
		}
	}
	en.st.Thermal.Observe(r)
}

// disturbedModel reports whether the temperature is under the influence of
// something that the thermal model does not know.
func (e *Engine) disturbedModel(en *enclosure, now time.Duration) bool {
	if _, open := en.st.Door.Open(); open {
		return true
	}
	return en.st.HasPulse && now-en.st.PulseAt < 20*time.Minute
}

// disturbed reports whether a step in temperature and humidity has another
// explanation than the door.
func (e *Engine) disturbed(en *enclosure, now time.Duration) bool {
	if _, raining := en.st.Mist.Current(); raining && en.st.HasPulse && now-en.st.PulseAt < 20*time.Minute {
		return true
	}
	return en.lamps >= 0 && e.lamps[en.lamps].known && e.lamps[en.lamps].edge < 30*time.Minute
}

// estimateRoom follows the room's air.
func (e *Engine) estimateRoom(now sensors.Instant) {
	if now.Mono-e.room.SlowAt < slowEvery && e.room.SlowAt != 0 {
		return
	}
	t, ok := e.roomTemp(now.Mono)
	if !ok {
		return
	}
	e.room.SlowAt = now.Mono
	e.room.Trend.Observe(e.estAt(now.Mono), float64(t)/100)
	hour := e.hour(now)
	if hour < 0 {
		return
	}
	e.room.Usual.Observe(hour, float64(t)/100)
	if h, ok := e.roomHum(now.Mono); ok {
		e.room.UsualHum.Observe(hour, float64(h)/100)
	}
}

// roomTemp is the median of the room's trustworthy probes, in hundredths of °C.
func (e *Engine) roomTemp(now time.Duration) (int32, bool) {
	var temps few
	for _, i := range e.roomIdx {
		if p := &e.probes[i]; p.usable(&e.cfg.Rules, now) {
			temps.add(int32(p.st.Temp))
		}
	}
	return temps.median()
}

// roomHum is the same for humidity, in hundredths of a percent.
func (e *Engine) roomHum(now time.Duration) (int32, bool) {
	var hums few
	for _, i := range e.roomIdx {
		if p := &e.probes[i]; p.humUsable(&e.cfg.Rules, now) {
			hums.add(int32(p.st.Hum))
		}
	}
	return hums.median()
}
