package rules

import (
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/rules/room"
	"dewline/sensors"
)

// watchMist looks for pulses and for a mist that does not end.
func (l mistLook) watchMist(en *room.Enclosure, now sensors.Instant) {
	if !en.Now.HasTemp || !en.Now.HasHum {
		return
	}
	st, own := &en.St, &l.At[en.Index]
	at := l.v.EstAt(now.Mono)
	if st.Mist.LastAt > 0 && at-st.Mist.LastAt > room.LongestInterval && en.Alarms[alarm.KindMistEndless].Rec.Life.Active {
		own.Cut = true
	}
	switch st.Mist.Observe(at, float64(en.Now.Main)/100, float64(en.Now.Hum)/100) {
	case climate.MistStarted:
		if p, ok := st.Mist.Current(); ok {
			st.PulseAt, st.HasPulse = p.Start-l.v.Off.Added, true
		}
	case climate.MistPeaked:
		l.pulseFact(en, now)
	case climate.MistEnded:
		own.Soaks.pulse()
		p, ok := st.Mist.Last()
		if ok && p.HalfLife > 0 {
			st.Dry.Add(p.Start, p.HalfLife)
			l.judgeDry(en, now)
		}
		l.dryFact(en, now, p)
	}
	l.judgeEndless(en, now)
}

// Soaks are how long the air stayed saturated around each of the last pulses.
// Wet leaves hold some enclosures at 95 % for hours, others for no time at all.
type Soaks struct {
	Last [8]time.Duration `json:"last"`
	Num  int              `json:"num"`
	Most time.Duration    `json:"most"` // since the last pulse ended
}

// longestSoak is the longest that one stretch counts for.
const longestSoak = 3 * time.Hour

// pulse closes the account of a pulse that has ended.
func (s *Soaks) pulse() {
	copy(s.Last[1:], s.Last[:])
	s.Last[0] = min(s.Most, longestSoak)
	s.Num = min(s.Num+1, len(s.Last))
	s.Most = 0
}

// leastSoak is the shortest stretch that can be a mist without an end; a false
// bottom overflows after 40 to 70 min (own arithmetic).
const leastSoak = 30 * time.Minute

// odd reports whether a stretch is longer by a third than around any of the
// last pulses.
func (s *Soaks) odd(soaked time.Duration) bool {
	if s.Num < 4 {
		return soaked >= longestSoak
	}
	most := time.Duration(0)
	for _, d := range s.Last[:s.Num] {
		most = max(most, d)
	}
	return soaked > max(most*4/3, leastSoak)
}

func (l mistLook) judgeEndless(en *room.Enclosure, now sensors.Instant) {
	st, own := &en.St, &l.At[en.Index]
	soaked := st.Mist.Soaked()
	own.Soaks.Most = max(own.Soaks.Most, soaked)
	if en.Mist < 0 {
		return
	}
	longest := l.v.Mists[en.Mist].Cfg.Longest.D()
	s := &en.Alarms[alarm.KindMistEndless]
	endless := own.Watch.Endless(&st.Mist, longest) &&
		(s.Rec.Life.Active || own.Soaks.odd(soaked) && !l.soakedElsewhere(en, longest) && !l.coolsByItself(en, now.Mono))
	if own.Cut { // nobody saw whether it ended: air that is still soaked says no
		own.Cut = !endless && s.Rec.Life.Active && en.Now.Hum >= soakedEnd
		endless = endless || own.Cut
	}
	if endless || s.Open() {
		s.Against(soaked.Minutes(), longest.Minutes())
		l.out.Hold(s, endless)
	}
}

// soakedEnd is a humidity, in hundredths of a percent, at which a mist is over.
const soakedEnd = 9500

// soakedElsewhere reports whether enclosures on other supplies are soaked too:
// two pumps do not stick together, but lamps and vents fail together.
func (l mistLook) soakedElsewhere(en *room.Enclosure, longest time.Duration) bool {
	n := 0
	for i := range l.v.Enclosures {
		o := &l.v.Enclosures[i]
		if o.Mist >= 0 && l.v.SupplyOf(o.Mist) != l.v.SupplyOf(en.Mist) && o.St.Mist.Soaked() > longest {
			n++
		}
	}
	return n >= 2
}

// dropOn reports whether a probe that has a part in the humidity went to
// saturation in one step, as no mist does; where every probe is saturated it is
// the air all the same.
func (l mistLook) dropOn(en *room.Enclosure) bool {
	fast, wet := 0, 0
	for _, i := range en.Probes {
		if w := &l.v.Probes[i].St.Wet; w.Since > 0 {
			wet++
			if !w.Slow {
				fast++
			}
		}
	}
	return fast > 0 && (len(en.Probes) == 1 || wet < len(en.Probes))
}

// coolsByItself reports whether the air got damp without water: as it cooled with
// the room or without the lamps, or only for a probe that a drop fell on.
func (l mistLook) coolsByItself(en *room.Enclosure, now time.Duration) bool {
	return l.causes().coolsWithRoom(en) || l.dropOn(en) || !en.Misted(now, 45*time.Minute) && l.causes().darkens(now)
}

// coolsWithRoom reports whether the room cools by more than a night does: air
// that cools saturates by itself.
func (cs causes) coolsWithRoom(en *room.Enclosure) bool {
	own, ok := en.St.Trend.Slope()
	room, known := cs.v.Air.Trend.Slope()
	if ok && known && own.PerHour < -coolsFast/2 && room.PerHour < -coolsFast/2 || ok && own.PerHour < -coolsFast {
		return true
	}
	was, old := en.St.Thermal.RoomBefore(cs.v.EstAt(cs.v.Latest.Mono), roomSpan)
	t, now := cs.v.RoomTemp(cs.v.Latest.Mono)
	if old && now && was-float64(t)/100 >= roomClimb {
		return true
	}
	usual, hasUsual := cs.v.Air.Usual.At(cs.v.Hour(cs.v.Latest))
	return now && hasUsual && known && room.PerHour < -coolsSlow && float64(t)/100 < usual-roomMore
}

// coolsSlow in °C/h is the same for a room that is already colder than usual.
const coolsSlow = 0.4

// coolsFast in °C/h is faster than an enclosure under a mist cools for long.
const coolsFast = 1.5

// dryPulses is how many pulses in a row must dry oddly: mornings and evenings
// differ, and so do single pulses.
const dryPulses = 4

// judgeDry compares the dry-down with the enclosure's own past.
func (l mistLook) judgeDry(en *room.Enclosure, now sensors.Instant) {
	s := &en.Alarms[alarm.KindDryDown]
	recent, usual, _, ok := en.St.Dry.Trend()
	if !ok {
		return
	}
	if l.At[en.Index].DryOdd++; en.St.Dry.Hint() == climate.DryUsual {
		l.At[en.Index].DryOdd = 0
	}
	odd := l.At[en.Index].DryOdd >= dryPulses
	if odd || s.Open() {
		s.Against(recent.Minutes(), usual.Minutes())
		l.out.Hold(s, odd)
	}
}

// judgeMists settles the verdicts on the last scheduled mist, for all
// enclosures on one supply together: one of them alone is a nozzle, most of
// them the pump, the reservoir or the timer.
func (l mistLook) judgeMists(now sensors.Instant) {
	for i := range l.v.Mists {
		if first := l.v.FirstOfSupply(i); first == i {
			l.judgeSupply(i, now)
		}
	}
}

// patience is how long after a scheduled mist the slowest verdict may come.
const patience = 15 * time.Minute

func (l mistLook) judgeSupply(mist int, now sensors.Instant) {
	l.verdicts = l.verdicts[:0]
	pending := false
	for i := range l.v.Enclosures {
		en := &l.v.Enclosures[i]
		if en.Mist < 0 || !l.At[en.Index].HasDue || l.v.FirstOfSupply(en.Mist) != mist {
			continue
		}
		if v, at := l.At[en.Index].Watch.Verdict(l.v.EstAt(now.Mono), &en.St.Mist); v != climate.MistPending {
			l.At[en.Index].Verdict, l.At[en.Index].VerdictAt = v, at-l.v.Off.Added
		}
		switch {
		case l.At[en.Index].Verdict != climate.MistPending:
			l.verdicts = append(l.verdicts, l.At[en.Index].Verdict)
		case now.Mono-l.At[en.Index].DueAt < patience:
			pending = true
		}
	}
	if pending || len(l.verdicts) == 0 {
		return
	}
	fault := climate.JudgeMist(l.verdicts)
	for i := range l.v.Enclosures {
		en := &l.v.Enclosures[i]
		if en.Mist >= 0 && l.At[en.Index].HasDue && l.v.FirstOfSupply(en.Mist) == mist {
			l.settleMist(en, now, fault)
		}
	}
}

// soakedAir is a humidity, in hundredths of a percent, that a mist hardly
// raises.
const soakedAir = 9300

// settleMist draws the conclusion from one enclosure's verdict.
func (l mistLook) settleMist(en *room.Enclosure, now sensors.Instant, fault climate.MistFault) {
	v := l.softened(en)
	l.mistFact(en, now, v)
	l.At[en.Index].Verdict, l.At[en.Index].HasDue = climate.MistPending, false
	missing, weak := &en.Alarms[alarm.KindMistMissing], &en.Alarms[alarm.KindMistWeak]
	cause := Cause{Kind: CauseEnclosure, ID: en.Cfg.ID}
	switch {
	case fault == climate.SupplyFault && l.causes().powerGone(en, now):
		cause = Cause{Kind: CauseRoom}
	case fault == climate.SupplyFault:
		cause = Cause{Kind: CauseSupply, ID: l.v.SupplyOf(en.Mist)}
	}
	switch v {
	case climate.MistMissed:
		en.St.Missed++
		missing.Blame(cause)
		missing.Against(float64(en.St.Missed), 1)
		l.out.Hold(missing, true)
	case climate.MistSeen, climate.MistWeak:
		en.St.Missed = 0
		if missing.Open() {
			l.out.Hold(missing, false)
		}
	}
	switch v {
	case climate.MistWeak:
		// A single weak one may be a door or a full drip tray.
		if l.At[en.Index].Weak++; l.At[en.Index].Weak >= 2 {
			weak.Blame(cause)
			weak.Against(float64(l.At[en.Index].Weak), 2)
			l.out.Hold(weak, true)
		}
	case climate.MistSeen:
		l.At[en.Index].Weak = 0
		if weak.Open() {
			l.out.Hold(weak, false)
		}
	}
}

// softened is the verdict, unclear where a mist that fell would not have shown.
func (l mistLook) softened(en *room.Enclosure) climate.MistVerdict {
	_, open := en.St.Door.Open()
	switch {
	case l.At[en.Index].Verdict != climate.MistMissed:
		return l.At[en.Index].Verdict
	case open: // it would not stay in the air
		return climate.MistUnclear
	case !en.Now.HasHum:
	case en.Now.Hum >= soakedAir: // it would raise nothing
		return climate.MistUnclear
	case l.v.Probes[en.Now.HumProbe].St.StillAt < l.At[en.Index].DueAt: // not a digit has changed since
		return climate.MistUnclear
	}
	return climate.MistMissed
}

// powerGone reports whether all enclosures are cooler than usual beside the
// room while their lamps should be on, or the room itself is colder than usual:
// then a mist that fails everywhere is the power, not the pump.
func (cs causes) powerGone(en *room.Enclosure, now sensors.Instant) bool {
	pic := cs.v.Survey(now)
	if pic.Room.HasUsual && cs.roomExplains(en, &pic, colder) != nil {
		return true
	}
	lit, fresh := cs.litNow()
	if cs.darkens(now.Mono) {
		return true
	}
	if fresh >= enoughPeers && 2*fresh >= len(cs.v.Enclosures) && pic.Changed >= enoughPeers && cs.v.MiddleChange() < lampWarms {
		return true // nothing got warmer when the lamps were to come on
	}
	if lit < enoughPeers || 2*lit < len(cs.v.Enclosures) {
		return false
	}
	return pic.Judged >= enoughPeers && pic.Room.HasTemp && pic.Median < -powerOff
}

// darkens reports whether most enclosures whose lamps should have been on for
// long, and that no mist cools, cool together.
func (cs causes) darkens(now time.Duration) bool {
	xs := cs.v.Floats[:0]
	for i := range cs.v.Enclosures {
		o := &cs.v.Enclosures[i]
		if o.Lamps < 0 || o.Misted(now, 45*time.Minute) {
			continue
		}
		l := &cs.v.Lamps[o.Lamps]
		if change, ok := o.St.Trend.Change(); ok && l.Known && l.On && l.Edge > 45*time.Minute {
			xs = append(xs, change)
		}
	}
	if len(xs) < enoughPeers || 2*len(xs) < len(cs.v.Enclosures) {
		return false
	}
	slices.Sort(xs)
	return xs[len(xs)/2] < -darkCools
}

// darkCools in °C in half an hour is more than an enclosure cools by day.
const darkCools = 0.25

// litNow counts the enclosures whose lamps should have been on for some time,
// and those of them whose lamps came on not long ago and are known to warm.
func (cs causes) litNow() (lit, fresh int) {
	for i := range cs.v.Enclosures {
		o := &cs.v.Enclosures[i]
		if o.Lamps < 0 {
			continue
		}
		l := &cs.v.Lamps[o.Lamps]
		if !l.Known || !l.On || l.Edge <= 20*time.Minute {
			continue
		}
		lit++
		if l.Edge <= 45*time.Minute && o.St.Thermal.Fit().LampGain >= clearLamp {
			fresh++
		}
	}
	return lit, fresh
}

// Lamps that add so much in the end, in °C, add at least lampWarms in half an
// hour.
const (
	clearLamp = 1.0
	lampWarms = 0.1
)

// powerOff in °C is what enclosures lack soon after the lamps failed to come on.
const powerOff = 0.5
