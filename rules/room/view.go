package room

import (
	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
	"math"
	"slices"
	"strconv"
	"time"
)

// band is the band in force of an enclosure at the engine's present minute.
func (v *View) Band(en *Enclosure) (low, high int32, name string) {
	var lamps *Lamps
	if en.Lamps >= 0 {
		lamps = &v.Lamps[en.Lamps]
	}
	return en.Limits.Band(lamps, v.Cfg.Rules.BandSettle.D())
}

func ShelfName(rack string, shelf int) string { return rack + "/" + strconv.Itoa(shelf) }

// survey looks at all enclosures together, as they are now.
func (v *View) Survey(now sensors.Instant) climate.Picture {
	v.cases = v.cases[:0]
	for i := range v.Enclosures {
		v.cases = append(v.cases, v.CaseOf(&v.Enclosures[i], now))
	}
	room := climate.RoomCase{}
	if t, ok := v.RoomTemp(now.Mono); ok {
		room.Temp, room.HasTemp = float64(t)/100, true
		room.Change, room.HasChange = v.Air.Trend.Change()
		if hour := v.Hour(now); hour >= 0 {
			room.Usual, room.HasUsual = v.Air.Usual.At(hour)
		}
	}
	return climate.Survey(room, v.cases, v.Floats)
}

func (v *View) CaseOf(en *Enclosure, now sensors.Instant) climate.Case {
	c := climate.Case{Shelf: en.Shelf, Temp: float64(en.Now.Main) / 100, HasTemp: en.Now.HasTemp}
	if en.Alarms[alarm.KindLethal].Rec.Life.State == alarm.OutOfService {
		c.HasTemp = false
	}
	if hour := v.Hour(now); hour >= 0 {
		c.Offset, c.HasOffset = en.St.Offset.At(hour)
	}
	c.Change, c.HasChange = en.St.Trend.Change()
	_, c.DoorOpen = en.St.Door.Open()
	c.ProbeDoubt = v.Doubtful(en, now, 0) != nil
	return c
}

// doubtful returns the probe of the enclosure that is doubted on that side (0
// for either), the hottest first, nil for none. A probe that leapt down is no
// reason for heat, and neither is a node's clock.
func (v *View) Doubtful(en *Enclosure, now sensors.Instant, side float64) *Probe {
	doubt := func(p *Probe) bool {
		leapt := p.Leapt(now.Mono) && side*float64(p.St.Leap) >= 0
		return p.St.Doubtful && p.St.Reason != sensors.WrongClock || leapt || p.Apart() || p.Stands(now.Mono)
	}
	for _, i := range en.Probes {
		if p := &v.Probes[i]; i == en.Now.HotProbe && doubt(p) {
			return p
		}
	}
	for _, i := range en.Probes {
		if p := &v.Probes[i]; doubt(p) {
			return p
		}
	}
	return nil
}

// justSwitched reports whether the lamps switched less than an hour ago.
func (v *View) JustSwitched(en *Enclosure) bool {
	return en.Lamps >= 0 && v.Lamps[en.Lamps].Known && v.Lamps[en.Lamps].Edge < time.Hour
}

// enclosureOf is the enclosure that an alarm or its probe is of, nil for none.
func (v *View) EnclosureOf(s *Alarm) *Enclosure {
	switch {
	case s.Kind.Row().Of == alarm.OfEnclosure:
		return &v.Enclosures[s.Index]
	case s.Kind.Row().Of == alarm.OfProbe && v.Probes[s.Index].Encl >= 0:
		return &v.Enclosures[v.Probes[s.Index].Encl]
	}
	return nil
}

// combine looks at every probe of the enclosure. Heat is judged on the hottest
// trustworthy one; the band on the one over the litter, where frogs live, or
// the median of what there is; the floor on the named one or the median. A
// probe that is silent, doubted or out of service takes no part.
func (v *View) Combine(en *Enclosure, now time.Duration) {
	if len(en.Probes) == 1 {
		v.combineOne(en, now)
		return
	}
	var temps [NumRanks]Few
	var hums Few
	p := Present{}
	named := false
	rules := &v.Cfg.Rules
	for _, i := range en.Probes {
		pr := &v.Probes[i]
		p.Gap = max(p.Gap, pr.Gap())
		st := &pr.St
		use := pr.Use(rules, now)
		p.Doubt = p.Doubt || use.Doubt
		if use.Temp {
			p.reach(int32(st.Temp), i)
			temps[RankOf(pr.Cfg.Place)].Add(int32(st.Temp))
		}
		if use.Hum && !named {
			if named = pr.Cfg.FloorProbe; named {
				hums.n = 0
			}
			hums.Add(int32(st.Hum))
			p.HumProbe = i
		}
		if st.HasLux {
			p.Lux, p.HasLux = st.Lux, true
		}
	}
	for i := range temps {
		if v, ok := temps[i].Median(); ok {
			p.Main = v
			break
		}
	}
	p.Hum, p.HasHum = hums.Median()
	en.Now = p
}

// combineOne is combine for the only probe of an enclosure.
func (v *View) combineOne(en *Enclosure, now time.Duration) {
	i := en.Probes[0]
	pr := &v.Probes[i]
	st := &pr.St
	use := pr.Use(&v.Cfg.Rules, now)
	t := int32(st.Temp)
	p := Present{
		HasTemp: use.Temp, HasHum: use.Hum, Doubt: use.Doubt, Gap: pr.Gap(), Lux: st.Lux, HasLux: st.HasLux,
	}
	if use.Temp {
		p.Main, p.Hot, p.Cold, p.HotProbe = t, t, t, i
	}
	if use.Hum {
		p.Hum, p.HumProbe = int32(st.Hum), i
	}
	en.Now = p
}

// hotInput classifies the hottest trustworthy temperature.
func (v *View) HotInput(en *Enclosure, now time.Duration, limit, deadband int32) alarm.Input {
	in := alarm.Missing
	if en.Now.HasTemp {
		in = alarm.High(en.Now.Hot, limit, deadband)
	}
	if in == alarm.Back && v.anyDoubt(en, now, Upper, limit, deadband, false) {
		return alarm.Missing
	}
	return in
}

// mainInput classifies the temperature that the band is judged on.
func (v *View) MainInput(en *Enclosure, now time.Duration, d Side, limit, deadband int32) alarm.Input {
	if !en.Now.HasTemp {
		return alarm.Missing
	}
	in := d.Classify(en.Now.Main, limit, deadband)
	if in == alarm.Back && v.anyDoubt(en, now, d, limit, deadband, en.HasLitter) {
		return alarm.Missing
	}
	return in
}

// anyDoubt asks the probes, or only those in the litter, that take no part now.
func (v *View) anyDoubt(en *Enclosure, now time.Duration, d Side, limit, deadband int32, litterOnly bool) bool {
	for _, i := range en.Probes {
		p := &v.Probes[i]
		if litterOnly && p.Cfg.Place != configs.Litter {
			continue
		}
		if p.InDoubt(&v.Cfg.Rules, now, d, limit, deadband) {
			return true
		}
	}
	return false
}

// How often the estimators look: a mist and a door in seconds, the rest once a
// minute.
const (
	QuickEvery = 20 * time.Second
	SlowEvery  = time.Minute
)

// RoomState is what is remembered of the room's air.
type RoomState struct {
	Trend climate.Trend      `json:"trend"`
	Usual climate.HourOffset `json:"usual"` // temperature by hour of day
	// UsualHum is its humidity by hour of day, in %.
	UsualHum climate.HourOffset `json:"usual_hum,omitzero"`
	SlowAt   time.Duration      `json:"slow_at"`
}

// roomTemp is the median of the room's trustworthy probes, in hundredths of °C.
func (v *View) RoomTemp(now time.Duration) (int32, bool) {
	var temps Few
	for _, i := range v.InRoom {
		if p := &v.Probes[i]; p.Usable(&v.Cfg.Rules, now) {
			temps.Add(int32(p.St.Temp))
		}
	}
	return temps.Median()
}

// roomHum is the same for humidity, in hundredths of a percent.
func (v *View) RoomHum(now time.Duration) (int32, bool) {
	var hums Few
	for _, i := range v.InRoom {
		if p := &v.Probes[i]; p.HumUsable(&v.Cfg.Rules, now) {
			hums.Add(int32(p.St.Hum))
		}
	}
	return hums.Median()
}

// middle is the median temperature of everything that moves.
func (v *View) Middle(now time.Duration) (int32, bool) {
	v.Ints = v.Ints[:0]
	for i := range v.Enclosures {
		if en := &v.Enclosures[i]; en.Now.HasTemp {
			v.Ints = append(v.Ints, en.Now.Main)
		}
	}
	if t, ok := v.RoomTemp(now); ok {
		v.Ints = append(v.Ints, t)
	}
	if len(v.Ints) < 2 {
		return 0, false
	}
	slices.Sort(v.Ints)
	return v.Ints[len(v.Ints)/2], true
}

func (v *View) HumidityDue(p *Probe) (time.Time, bool) {
	every := v.Cfg.Rules.HumidityDue.D()
	if !p.St.HasHum || every <= 0 {
		return time.Time{}, false
	}
	return later(p.St.Seen, p.St.HumDone).Add(every), true
}

func (v *View) TemperatureDue(p *Probe) (time.Time, bool) {
	every := v.Cfg.Rules.TemperatureDue.D()
	if !p.St.HasTemp || every <= 0 {
		return time.Time{}, false
	}
	return later(p.St.Seen, p.St.TempDone).Add(every), true
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// estAt is the time that the estimators live in. It counts the time off too, so
// that what they compare lies as far apart as it did.
func (v *View) EstAt(mono time.Duration) time.Duration { return mono + v.Off.Added }

// forecast fills what is ahead of the enclosure.
func (v *View) Forecast(en *Enclosure, now sensors.Instant, slope climate.Slope) {
	o := climate.Outlook{
		At: v.EstAt(now.Mono), Air: float64(en.Now.Hot) / 100, Trend: slope, HasTrend: true,
		BandTop: float64(max(en.Limits.DayHigh, en.Limits.NightHigh)) / 100, Ceiling: float64(en.Limits.Ceiling) / 100,
	}
	if t, ok := v.RoomTemp(now.Mono); ok {
		o.Room, o.HasRoom = float64(t)/100, true
		o.RoomTrend, o.HasRoomTrend = v.Air.Trend.Slope()
	}
	if en.Lamps >= 0 {
		l := &v.Lamps[en.Lamps]
		o.LampsOn = l.Known && l.On
		if l.Known {
			l.Coming(now, v.Loc)
			o.LampChanges = l.coming[:l.numComing]
		}
	}
	f, ok := en.St.Thermal.Forecast(o)
	en.St.Ahead = Ahead{At: now.Mono}
	if ok {
		en.St.Ahead = Ahead{At: now.Mono, ToCeiling: f.Ceiling, LampsOff: f.LampsOff, Learned: f.Learned}
		if !f.Learned {
			en.St.Ahead.ToCeiling = narrowed(f.Ceiling, o.Ceiling-o.Air, slope)
		}
		v.allowForMist(en, &en.St.Ahead.ToCeiling, o.Ceiling-o.Air, now)
	}
}

// allowForMist widens a forecast: to the early side after a mist, whose cooling
// ends nobody knows how soon, to the late side when one is due before.
func (v *View) allowForMist(en *Enclosure, t *climate.Eta, way float64, now sensors.Instant) {
	if !t.Known || t.Mid <= 0 || way <= 0 {
		return
	}
	perDegree := time.Duration(float64(t.Mid) / way) // at the mean rate ahead
	if en.Misted(now.Mono, mistFades) {
		t.From = max(0, t.From-time.Duration(mistReturns*float64(perDegree)))
	}
	if en.Mist < 0 || t.Open {
		return
	}
	next := v.Mists[en.Mist].St.Next
	if due := next.Sub(now.Wall); now.Synced && !next.IsZero() && due < t.To {
		t.To += time.Duration(mistCools * float64(perDegree))
		if t.To >= climate.Horizon {
			t.To, t.Open = climate.Horizon, true
		}
	}
}

// middleChange is the median move of the surveyed enclosures in 30 min, °C.
func (v *View) MiddleChange() float64 {
	xs := v.Floats[:0]
	for i := range v.cases {
		if c := &v.cases[i]; c.HasTemp && !c.ProbeDoubt && c.HasChange {
			xs = append(xs, c.Change)
		}
	}
	if len(xs) == 0 {
		return 0
	}
	slices.Sort(xs)
	return xs[len(xs)/2]
}

// standsIn reports whether the floor is judged by another probe than the one
// that is named for it, because that one has nothing to say.
func (v *View) StandsIn(en *Enclosure) bool {
	return en.NamedFloor && en.Now.HasHum && !v.Probes[en.Now.HumProbe].Cfg.FloorProbe
}

func (v *View) SupplyOf(mist int) string {
	c := &v.Mists[mist].Cfg
	if c.Supply != "" {
		return c.Supply
	}
	return c.ID
}

func (v *View) FirstOfSupply(mist int) int {
	for i := range mist {
		if v.SupplyOf(i) == v.SupplyOf(mist) {
			return i
		}
	}
	return mist
}

// Forget lets go of what a stretch hides that nobody looked in.
func (v *View) Forget(a Absence) {
	for i := range v.Probes {
		v.Probes[i].forget(v.At.Mono)
	}
	for i := range v.Enclosures {
		v.Enclosures[i].forget(a)
		v.Combine(&v.Enclosures[i], v.At.Mono)
	}
}

// A View is one room as it is at one moment, for every judge to look at: what
// was configured, what the probes say and how far they are trusted, what was
// estimated, and what the judges before found. Its slices keep their length.
type View struct {
	Clock
	Cfg           *configs.Config
	Loc           *time.Location
	Probes        []Probe
	ByID          map[sensors.ProbeID]int
	Enclosures    []Enclosure
	EnclosureByID map[string]int
	Lamps         []Lamps
	Mists         []Mist
	Air           RoomState
	InRoom        []int // probes in the room
	BandDead      int32 // deadbands: hundredths of °C
	FloorDead     int32 // and of a percent
	Open          int   // alarms that are not NORM
	Look
	scratch
}

// A Look is why the judges are asked now, and with what.
type Look struct {
	Due         Due
	Probe       int        // of Reading
	Enclosure   *Enclosure // that is looked at; nil for none
	Reading     sensors.Reading
	Calibration Calibration
	Absence     Absence
}

// A Clock is what is known of the time.
type Clock struct {
	At      sensors.Instant // the time that came in last
	Latest  sensors.Instant // the latest one that came in
	Watched time.Duration   // since then readings were awaited without a gap
	Off     Off
	Turn    uint32  // counts the looks at the schedules
	hourNow float64 // local hour of At, negative without a clock
	minute  int64   // wall minute that the schedules were read at
	synced  bool
	AgeAt   time.Duration // no value is too old until then
}

// scratch spares allocations.
type scratch struct {
	cases  []climate.Case
	Ints   []int32
	Floats []float64
}

// NewView lays out a room for a complete configuration, without any state. The
// clock is that of the View before, if any.
func NewView(cfg *configs.Config, clock Clock) *View {
	n := len(cfg.Enclosures)
	v := &View{
		Clock: clock, Cfg: cfg, Loc: cfg.Room.Location,
		Enclosures: make([]Enclosure, n), EnclosureByID: make(map[string]int, n),
		Probes: make([]Probe, len(cfg.Probes)), ByID: make(map[sensors.ProbeID]int, len(cfg.Probes)),
		BandDead:  int32(sensors.CelsiusOf(float64(cfg.Rules.BandDeadband))),
		FloorDead: int32(sensors.PercentOf(float64(cfg.Rules.FloorDeadband))),
		scratch: scratch{
			cases: make([]climate.Case, 0, n), Ints: make([]int32, 0, max(n, len(cfg.Probes))+1), Floats: make([]float64, 4*n+4),
		},
	}
	v.At, v.minute, v.AgeAt = sensors.Instant{}, -1, -1
	if v.Loc == nil {
		v.Loc = time.UTC
	}
	for _, l := range cfg.Lamps {
		v.Lamps = append(v.Lamps, Lamps{Cfg: l})
	}
	for _, m := range cfg.Mists {
		v.Mists = append(v.Mists, Mist{Cfg: m})
	}
	shelves := map[string]int{}
	for i, c := range cfg.Enclosures {
		v.placeEnclosure(i, c)
		key := ShelfName(c.Rack, c.Shelf)
		if _, ok := shelves[key]; !ok {
			shelves[key] = len(shelves)
		}
		v.Enclosures[i].Shelf = shelves[key]
	}
	for i, c := range cfg.Probes {
		v.placeProbe(i, c)
	}
	return v
}

func (v *View) placeEnclosure(i int, c configs.Enclosure) {
	en := &v.Enclosures[i]
	sp := v.Cfg.SpeciesFor(c)
	*en = Enclosure{Index: i, Cfg: c, Species: sp, Limits: LimitsOf(sp), Lamps: -1, Mist: -1, DoseLimits: climate.DoseLimits{
		Boundary: float64(sp.Boundary), ReferenceTemp: float64(sp.ReferenceTemp),
		ReferenceTime: sp.ReferenceTime.D(), TenfoldPer: float64(sp.TenfoldPer),
	}}
	for k := range int(alarm.FirstProbeKind) {
		en.Alarms[k] = MakeAlarm(alarm.Kind(k), i, c.ID)
	}
	for j := range v.Lamps {
		if v.Lamps[j].Cfg.ID == c.Lamps && c.Lamps != "" {
			en.Lamps = j
		}
	}
	for j := range v.Mists {
		if v.Mists[j].Cfg.ID == c.Mist && c.Mist != "" {
			en.Mist = j
		}
	}
	en.St.Thermal = climate.NewThermal(float64(c.Volume))
	v.EnclosureByID[c.ID] = i
}

func (v *View) placeProbe(i int, c configs.Probe) {
	p := &v.Probes[i]
	*p = Probe{Index: i, Cfg: c, Encl: -1}
	for k := range int(alarm.FirstSelfKind - alarm.FirstProbeKind) {
		p.Alarms[k] = MakeAlarm(alarm.FirstProbeKind+alarm.Kind(k), i, c.ID)
	}
	v.ByID[sensors.ProbeID(c.ID)] = i
	switch {
	case c.Enclosure != "":
		j, ok := v.EnclosureByID[c.Enclosure]
		if !ok {
			return
		}
		p.Encl = j
		en := &v.Enclosures[j]
		en.Probes = append(en.Probes, i)
		en.HasLitter = en.HasLitter || c.Place == configs.Litter
		en.NamedFloor = en.NamedFloor || c.FloorProbe
	case c.Place == configs.InRoom:
		v.InRoom = append(v.InRoom, i)
	}
}

// Aged reports whether a value may have become too old since the last tick.
func (v *View) Aged() bool { return v.At.Mono > v.AgeAt }

// LampsOf returns the lamps of an enclosure as they are by schedule; nil without
// one, or without a clock.
func (v *View) LampsOf(en *Enclosure) *Lamps {
	if en.Lamps < 0 || !v.Lamps[en.Lamps].Known {
		return nil
	}
	return &v.Lamps[en.Lamps]
}

// ReadClock reads the schedules when the minute has changed.
func (v *View) ReadClock(now sensors.Instant) {
	if minute := now.Wall.Unix() / 60; minute != v.minute || now.Synced != v.synced {
		v.minute, v.synced = minute, now.Synced
		v.readLamps(now)
	}
}

// readLamps works out which lamps are on. It depends on the minute alone, so a
// restart within it changes nothing.
func (v *View) readLamps(now sensors.Instant) {
	v.Turn++
	local := now.Wall.Truncate(time.Minute).In(v.Loc)
	v.hourNow = -1
	if now.Synced {
		v.hourNow = float64(local.Hour()) + float64(local.Minute())/60
	}
	for i := range v.Lamps {
		v.Lamps[i].Read(local, now.Synced)
	}
}

// hour is the local hour of day, negative while the clock is unset.
func (v *View) Hour(now sensors.Instant) float64 {
	if now == v.At {
		return v.hourNow
	}
	if !now.Synced {
		return -1
	}
	t := now.Wall.In(v.Loc)
	return float64(t.Hour()) + float64(t.Minute())/60
}

// wild says why the humidity that a probe delivers now is not trusted, empty
// where it is or where it delivers none. A probe that is wet is wet: it is not
// silent.
func (v *View) Wild(p *Probe, now time.Duration) string {
	st := &p.St
	switch {
	case st.HumLost && st.Quality == sensors.Suspect && st.WildHumAt == st.Last.Mono && p.Fresh(&v.Cfg.Rules, now, st.WildHumAt):
		return st.Reason.String()
	case st.Dewy && p.HumFresh(&v.Cfg.Rules, now):
		return sensors.DewTooHigh.String()
	}
	return ""
}

func Abs[T ~int32](v T) T { return max(v, -v) }

// nextAge is when the next value that is still young enough will be too old,
// if nothing comes.
func (v *View) NextAge(now time.Duration) time.Duration {
	next := time.Duration(math.MaxInt64)
	for i := range v.Probes {
		p := &v.Probes[i]
		st := &p.St
		limit := p.SilentAfter(&v.Cfg.Rules)
		for _, at := range [...]time.Duration{p.HeardAt() + st.Unseen, st.TempAt, st.HumAt} {
			if old := at + limit; old >= now {
				next = min(next, old)
			}
		}
	}
	return next
}

// waitFor is how long the enclosure's probes are waited for after a start.
func (v *View) WaitFor(en *Enclosure) time.Duration {
	d := time.Duration(0)
	for _, i := range en.Probes {
		d = max(d, v.Probes[i].SilentAfter(&v.Cfg.Rules))
	}
	return min(d, 5*time.Minute)
}

// gathering reports whether some probe of the enclosure has not spoken since
// the start: until then the others do not speak for all.
func (v *View) Gathering(en *Enclosure, now time.Duration) bool {
	if len(en.Probes) < 2 || now-v.Watched > v.WaitFor(en) {
		return false
	}
	for _, i := range en.Probes {
		if p := &v.Probes[i]; !p.Out && p.St.Last.Mono < v.Watched {
			return true
		}
	}
	return false
}

// sources reports whether any probe of the enclosure has a trusted value that
// is not too old. A single missed reading is no lack of a source.
func (v *View) Sources(en *Enclosure, now time.Duration) (temp, hum bool) {
	for _, i := range en.Probes {
		p := &v.Probes[i]
		st := &p.St
		if p.Out || st.Frozen || st.Alone {
			continue
		}
		temp = temp || st.HasTemp && p.Fresh(&v.Cfg.Rules, now, st.TempAt)
		hum = hum || st.HasHum && p.Fresh(&v.Cfg.Rules, now, st.HumAt)
	}
	return temp, hum
}
