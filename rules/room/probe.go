package room

import (
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// standsLong is how long the same value to the last digit is a reason to ask the
// probe first. To call it frozen takes longer.
const standsLong = 45 * time.Minute

// Stands reports whether the probe repeats itself while the others move.
func (p *Probe) Stands(now time.Duration) bool {
	st := &p.St
	return st.HasPeers && st.PeersMoved() && now-st.StillAt >= standsLong
}

// peersMove is by how many hundredths of °C the others must have moved for a
// steady probe to be a frozen one, at least.
const peersMove = 50

// PeersMust is by how many hundredths of °C the others must have moved for the probe
// to be a frozen one.
func (t *Trust) PeersMust() int32 { return max(peersMove, t.Coarse) }

// PeersMoved reports whether they did since the probe repeats itself.
func (t *Trust) PeersMoved() bool { return t.PeerHigh-t.PeerLow >= t.PeersMust() }

// Apart reports whether the probe stands away from its twin, for however short
// a time.
func (p *Probe) Apart() bool {
	l := &p.Alarm(alarm.KindDisagrees).Rec.Life
	return l.Active || l.Seen == alarm.Beyond
}

// MaxReasons is room for the reasons of package sensors.
const MaxReasons = 32

// ProbeState is what is remembered of one probe, for every judge to see.
type ProbeState struct {
	Values
	Trust
	Rhythm
}

// Rhythm is when a probe spoke, and how often.
type Rhythm struct {
	Last     sensors.Instant    `json:"last"` // any reading
	Quality  sensors.Quality    `json:"quality"`
	Reason   sensors.Reason     `json:"reason"`
	Heard    sensors.Instant    `json:"heard"`    // last one that was not bad
	Good     sensors.Instant    `json:"good"`     // last good one
	Unseen   time.Duration      `json:"unseen"`   // since it was heard, while nobody listened
	Interval time.Duration      `json:"interval"` // usual time between readings
	Readings uint64             `json:"readings"` // all
	Goods    uint64             `json:"goods"`    // good ones
	Seen     time.Time          `json:"seen"`     // first reading under a set clock; zero before
	Began    sensors.Instant    `json:"began"`    // when it was first expected
	Counts   [MaxReasons]uint32 `json:"counts"`   // others by reason
	HumDone  time.Time          `json:"hum_done"` // last calibrations
	TempDone time.Time          `json:"temp_done"`
}

// Values are the last ones that a probe told.
type Values struct {
	Temp    sensors.CentiCelsius `json:"temp"` // last trusted
	TempAt  time.Duration        `json:"temp_at"`
	HasTemp bool                 `json:"has_temp"`
	AnyAt   time.Duration        `json:"any_at,omitempty"` // last one at all, doubted ones included
	Hum     sensors.CentiPercent `json:"hum"`
	HumAt   time.Duration        `json:"hum_at"`
	HasHum  bool                 `json:"has_hum"`
	HumLess sensors.CentiPercent `json:"hum_less"` // so far below may the truth lie
	HumMore sensors.CentiPercent `json:"hum_more"` // and so far above
	HumLost bool                 `json:"hum_lost"` // the last reading had no trusted humidity
	// WildHum is the last humidity that was doubted.
	WildHum   sensors.CentiPercent `json:"wild_hum,omitempty"`
	WildHumAt time.Duration        `json:"wild_hum_at,omitempty"`
	Lux       uint32               `json:"lux"`
	HasLux    bool                 `json:"has_lux"`
}

// Trust is what speaks for and against a probe.
type Trust struct {
	Doubt    sensors.CentiCelsius `json:"doubt"`    // last doubted temperature
	HotRun   uint8                `json:"hot_run"`  // readings in a row at the lethal limit
	Doubtful bool                 `json:"doubtful"` // the last temperature was doubted
	Lost     bool                 `json:"lost"`     // the last reading had no temperature to use
	Alone    bool                 `json:"alone"`    // implausibly hot beside calm peers
	Jumps    uint8                `json:"jumps"`    // recent jumps of the temperature
	JumpAt   time.Duration        `json:"jump_at"`  // last one, or last one forgotten
	Leap     sensors.CentiCelsius `json:"leap"`     // sum of the jumps: zero when they led back
	LeapAt   time.Duration        `json:"leap_at"`
	Still    sensors.Sample       `json:"still"`    // the raw sample that does not change
	StillAt  time.Duration        `json:"still_at"` // since when
	PeerLow  int32                `json:"peer_low"` // range of the peers since then
	PeerHigh int32                `json:"peer_high"`
	HasPeers bool                 `json:"has_peers"`
	Coarse   int32                `json:"coarse,omitempty"` // hundredths of °C that it may stand through
	Frozen   bool                 `json:"frozen"`
	Dewy     bool                 `json:"dewy,omitempty"` // its dew point was too high for so long that its humidity is not believed
	Swap     Swap                 `json:"swap,omitzero"`
	Wet      Wet                  `json:"wet,omitzero"`
}

// Probe is a configured probe with its state and alarms, laid out as an Enclosure is.
type Probe struct {
	Alarms [int(alarm.FirstContactKind - alarm.FirstProbeKind)]Alarm
	Index  int
	Encl   int   // -1 for none
	Open   Kinds // of alarms that are not NORM
	Out    bool  // out of service: in a calibration jar, or on the bench
	// Since is when the last gap ended in which nobody looked: what the probe
	// said before is not present.
	Since time.Duration
	St    ProbeState
	Cfg   *configs.Probe // of the room's configuration
}

// Alarm is the probe's alarm of one kind.
func (p *Probe) Alarm(k alarm.Kind) *Alarm { return &p.Alarms[k-alarm.FirstProbeKind] }

// LongestInterval is the longest that a probe's rhythm may have: a slower node
// is silent in between.
const LongestInterval = climate.LongestGap

// SilentAfter is how old the last reading may be. Until the rhythm is known a
// probe gets the benefit of the doubt.
func (p *Probe) SilentAfter(r *configs.Rules) time.Duration {
	d := max(r.SilentAfter.D(), 3*p.St.Interval)
	if p.St.Readings == 1 {
		d = max(d, 5*time.Minute)
	}
	return d
}

// HeardAt is the running time of the last reading that was not bad, or of when
// the first was expected.
func (p *Probe) HeardAt() time.Duration {
	if p.St.Heard.IsZero() {
		return p.St.Began.Mono
	}
	return p.St.Heard.Mono
}

// Fresh reports whether a value of that time may count as present.
func (p *Probe) Fresh(r *configs.Rules, now, at time.Duration) bool {
	return at >= p.Since && now-at <= p.SilentAfter(r)
}

// Gap is the longest running time between two samples that a delay counts.
func (p *Probe) Gap() time.Duration {
	return min(max(2*time.Minute, 3*p.St.Interval), LongestInterval)
}

// Leapt reports whether a jump, faster than air can change, brought the probe
// to where it is.
func (p *Probe) Leapt(now time.Duration) bool {
	l := p.St.Leap
	return (l >= Leap || l <= -Leap) && now-p.St.LeapAt < leapFor
}

// Leap is a jump, in hundredths of °C, that has not led back. For leapFor it is
// a reason to doubt the probe; a level that lasts longer is one to live with.
const (
	Leap    = 300
	leapFor = 45 * time.Minute
)

// Usable reports whether the last trusted temperature is a present one.
func (p *Probe) Usable(r *configs.Rules, now time.Duration) bool { return p.Use(r, now).Temp }

// A Use says what a probe is good for now.
type Use struct {
	Temp, Hum bool
	Damp      bool // the humidity, whatever its dew point
	Doubt     bool // it has or had a value that does not count, and is in service
}

// Use says it of both quantities at once, for every reading asks both.
func (p *Probe) Use(r *configs.Rules, now time.Duration) Use {
	st := &p.St
	if p.Out {
		return Use{}
	}
	oldest := max(now-p.SilentAfter(r), p.Since)
	u := Use{
		Temp: st.HasTemp && !st.Lost && !st.Doubtful && !st.Alone && !st.Frozen && st.TempAt >= oldest,
		Damp: st.HasHum && !st.HumLost && !st.Frozen && st.HumAt >= oldest,
	}
	u.Hum = u.Damp && !st.Dewy
	u.Doubt = st.HasTemp && !u.Temp || st.HasHum && !u.Hum || st.Doubtful || st.Alone
	return u
}

// A Side is a limit to stay below, or with its sign turned one to stay above.
type Side int32

const (
	Upper Side = 1
	Lower Side = -1
)

// Classify holds a value against a limit on that side.
func (d Side) Classify(v, limit, deadband int32) alarm.Input {
	return alarm.High(int32(d)*v, int32(d)*limit, deadband)
}

// InDoubt reports whether a probe whose temperature cannot be had or trusted
// now was short of being back from the limit when it last could: then nobody
// knows that the process is.
func (p *Probe) InDoubt(r *configs.Rules, now time.Duration, d Side, limit, deadband int32) bool {
	st := &p.St
	switch {
	case p.Out || st.Alone || p.Usable(r, now):
		return false
	case st.Doubtful:
		return d.Classify(int32(st.Doubt), limit, deadband) != alarm.Back
	default:
		return st.HasTemp && d.Classify(int32(st.Temp), limit, deadband) != alarm.Back
	}
}

// DryDoubt is InDoubt for the humidity.
func (p *Probe) DryDoubt(r *configs.Rules, now time.Duration, limit, deadband int32) bool {
	st := &p.St
	return st.HasHum && !p.Out && !p.HumUsable(r, now) && alarm.Low(int32(st.Hum), limit, deadband) != alarm.Back
}

// HumUsable reports whether the last trusted humidity is a present one.
func (p *Probe) HumUsable(r *configs.Rules, now time.Duration) bool { return p.Use(r, now).Hum }

// HumFresh is HumUsable, whatever its dew point.
func (p *Probe) HumFresh(r *configs.Rules, now time.Duration) bool { return p.Use(r, now).Damp }

// forget forgets what takes a reading from before and one from now.
func (p *Probe) forget(now time.Duration) {
	st := &p.St
	p.Since = now
	for _, at := range []*time.Duration{&st.TempAt, &st.AnyAt, &st.HumAt, &st.Heard.Mono, &st.Good.Mono} {
		*at = min(*at, now-1) // running time goes on from where it stopped, to the moment
	}
}

// A Swap says with which other probe a probe changed places, and when.
type Swap struct {
	With string        `json:"with,omitempty"`
	At   time.Duration `json:"at,omitempty"`
	Told bool          `json:"told,omitempty"` // an alarm was raised for it
	Late bool          `json:"late,omitempty"` // found by where both stand, not by their steps
}

// Wet is how a probe came to saturation. A drop on the element takes it there
// from one reading to the next; fog, a mist or a cool night take minutes.
type Wet struct {
	Since time.Duration `json:"since,omitempty"` // saturated since then; 0 for not
	Left  time.Duration `json:"left,omitempty"`  // when it last fell from near saturation
	Slow  bool          `json:"slow,omitempty"`  // it took its time
	Fast  bool          `json:"fast,omitempty"`  // it came at once, and no mist was due and no door shut
	Drop  bool          `json:"drop,omitempty"`  // the probe is told to be wet, until it is dry
	Rises uint8         `json:"rises,omitempty"` // readings in a row that each were wetter
	// From is where that row began, Most its largest step and Least what a drop makes.
	From  sensors.CentiPercent `json:"from,omitempty"`
	Most  sensors.CentiPercent `json:"most,omitempty"`
	Least sensors.CentiPercent `json:"least,omitempty"`
	// Often counts how often it came at once and dried again, OftenAt when that last changed.
	Often   uint8         `json:"often,omitempty"`
	OftenAt time.Duration `json:"often_at,omitempty"`
}

// Silent reports whether the probe is told to be.
func (p *Probe) Silent() bool { return p.Alarm(alarm.KindSilent).Rec.Life.Active }

// A Calibration is what the engine needs to know of a probe's corrections.
type Calibration struct {
	Probe       sensors.ProbeID
	Humidity    time.Time // last calibrated; zero for never
	Temperature time.Time
	// Uncertainty of humidity at the calibration, ± %; used for readings that
	// state none.
	Uncertainty float64
}

// HumidityDue is when the humidity is to be calibrated; false for never. The time
// counts from the last calibration, or from when the probe was first seen.
func (v *View) HumidityDue(p *Probe) (time.Time, bool) {
	return due(p.St.HasHum, p.St.Seen, p.St.HumDone, v.Cfg.Rules.HumidityDue.D())
}

// TemperatureDue is HumidityDue for the temperature.
func (v *View) TemperatureDue(p *Probe) (time.Time, bool) {
	return due(p.St.HasTemp, p.St.Seen, p.St.TempDone, v.Cfg.Rules.TemperatureDue.D())
}

func due(has bool, seen, done time.Time, every time.Duration) (time.Time, bool) {
	if !has || every <= 0 {
		return time.Time{}, false
	}
	if done.After(seen) {
		seen = done
	}
	return seen.Add(every), true
}
