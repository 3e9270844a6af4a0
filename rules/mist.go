package rules

import (
	"slices"
	"time"

	"dewline/rules/alarm"
	"dewline/rules/climate"
	"dewline/sensors"
)

// watchMist looks for pulses and for a mist that does not end.
func (e *Engine) watchMist(en *enclosure, now sensors.Instant) {
	if !en.now.hasTemp || !en.now.hasHum {
		return
	}
	st := &en.st
	at := e.estAt(now.Mono)
	if st.Mist.LastAt > 0 && at-st.Mist.LastAt > longestInterval && en.slots[alarm.KindMistEndless].rec.Life.Active {
		st.Cut = true
	}
	switch st.Mist.Observe(at, float64(en.now.main)/100, float64(en.now.hum)/100) {
	case climate.MistStarted:
		if p, ok := st.Mist.Current(); ok {
			st.PulseAt, st.HasPulse = p.Start-e.off.Added, true
		}
	case climate.MistEnded:
		st.Soaks.pulse()
		if p, ok := st.Mist.Last(); ok && p.HalfLife > 0 {
			st.Dry.Add(p.Start, p.HalfLife)
			e.judgeDry(en, now)
		}
	}
	e.judgeEndless(en, now)
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

func (e *Engine) judgeEndless(en *enclosure, now sensors.Instant) {
	st := &en.st
	soaked := st.Mist.Soaked()
	st.Soaks.Most = max(st.Soaks.Most, soaked)
	if en.mist < 0 {
		return
	}
	longest := e.mists[en.mist].cfg.Longest.D()
	s := &en.slots[alarm.KindMistEndless]
	endless := st.Watch.Endless(&st.Mist, longest) &&
		(s.rec.Life.Active || st.Soaks.odd(soaked) && !e.soakedElsewhere(en, longest) && !e.coolsByItself(en, now.Mono))
	if st.Cut { // nobody saw whether it ended: air that is still soaked says no
		st.Cut = !endless && s.rec.Life.Active && en.now.hum >= soakedEnd
		endless = endless || st.Cut
	}
	if endless || s.open() {
		s.limit(soaked.Minutes(), longest.Minutes())
		e.hold(s, now, endless)
	}
}

// soakedEnd is a humidity, in hundredths of a percent, at which a mist is over.
const soakedEnd = 9500

// soakedElsewhere reports whether enclosures on other supplies are soaked too:
// two pumps do not stick together, but lamps and vents fail together.
func (e *Engine) soakedElsewhere(en *enclosure, longest time.Duration) bool {
	n := 0
	for i := range e.encls {
		o := &e.encls[i]
		if o.mist >= 0 && e.supplyOf(o.mist) != e.supplyOf(en.mist) && o.st.Mist.Soaked() > longest {
			n++
		}
	}
	return n >= 2
}

// dropOn reports whether a probe that has a part in the humidity went to
// saturation in one step, as no mist does; where every probe is saturated it is
// the air all the same.
func (e *Engine) dropOn(en *enclosure) bool {
	fast, wet := 0, 0
	for _, i := range en.probes {
		if w := &e.probes[i].st.Wet; w.Since > 0 {
			wet++
			if !w.Slow {
				fast++
			}
		}
	}
	return fast > 0 && (len(en.probes) == 1 || wet < len(en.probes))
}

// coolsByItself reports whether the air got damp without water: as it cooled with
// the room or without the lamps, or only for a probe that a drop fell on.
func (e *Engine) coolsByItself(en *enclosure, now time.Duration) bool {
	return e.coolsWithRoom(en) || e.dropOn(en) || !en.misted(now, 45*time.Minute) && e.darkens(now)
}

// coolsWithRoom reports whether the room cools by more than a night does: air
// that cools saturates by itself.
func (e *Engine) coolsWithRoom(en *enclosure) bool {
	own, ok := en.st.Trend.Slope()
	room, known := e.room.Trend.Slope()
	if ok && known && own.PerHour < -coolsFast/2 && room.PerHour < -coolsFast/2 || ok && own.PerHour < -coolsFast {
		return true
	}
	was, old := en.st.Thermal.RoomBefore(e.estAt(e.now.Mono), roomSpan)
	t, now := e.roomTemp(e.now.Mono)
	if old && now && was-float64(t)/100 >= roomClimb {
		return true
	}
	usual, hasUsual := e.room.Usual.At(e.hour(e.now))
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
func (e *Engine) judgeDry(en *enclosure, now sensors.Instant) {
	s := &en.slots[alarm.KindDryDown]
	recent, usual, _, ok := en.st.Dry.Trend()
	if !ok {
		return
	}
	if en.st.DryOdd++; en.st.Dry.Hint() == climate.DryUsual {
		en.st.DryOdd = 0
	}
	odd := en.st.DryOdd >= dryPulses
	if odd || s.open() {
		s.limit(recent.Minutes(), usual.Minutes())
		e.hold(s, now, odd)
	}
}

// judgeMists settles the verdicts on the last scheduled mist, for all
// enclosures on one supply together: one of them alone is a nozzle, most of
// them the pump, the reservoir or the timer.
func (e *Engine) judgeMists(now sensors.Instant) {
	for i := range e.mists {
		if first := e.firstOfSupply(i); first == i {
			e.judgeSupply(i, now)
		}
	}
}

func (e *Engine) supplyOf(mist int) string {
	c := &e.mists[mist].cfg
	if c.Supply != "" {
		return c.Supply
	}
	return c.ID
}

func (e *Engine) firstOfSupply(mist int) int {
	for i := range mist {
		if e.supplyOf(i) == e.supplyOf(mist) {
			return i
		}
	}
	return mist
}

// patience is how long after a scheduled mist the slowest verdict may come.
const patience = 15 * time.Minute

func (e *Engine) judgeSupply(mist int, now sensors.Instant) {
	e.verdicts = e.verdicts[:0]
	pending := false
	for i := range e.encls {
		en := &e.encls[i]
		if en.mist < 0 || !en.st.HasDue || e.firstOfSupply(en.mist) != mist {
			continue
		}
		if v, at := en.st.Watch.Verdict(e.estAt(now.Mono), &en.st.Mist); v != climate.MistPending {
			en.st.Verdict, en.st.VerdictAt = v, at-e.off.Added
		}
		switch {
		case en.st.Verdict != climate.MistPending:
			e.verdicts = append(e.verdicts, en.st.Verdict)
		case now.Mono-en.st.DueAt < patience:
			pending = true
		}
	}
	if pending || len(e.verdicts) == 0 {
		return
	}
	fault := climate.JudgeMist(e.verdicts)
	for i := range e.encls {
		en := &e.encls[i]
		if en.mist >= 0 && en.st.HasDue && e.firstOfSupply(en.mist) == mist {
			e.settleMist(en, now, fault)
		}
	}
}

// soakedAir is a humidity, in hundredths of a percent, that a mist hardly
// raises.
const soakedAir = 9300

// settleMist draws the conclusion from one enclosure's verdict.
func (e *Engine) settleMist(en *enclosure, now sensors.Instant, fault climate.MistFault) {
	v := e.softened(en)
	en.st.Verdict, en.st.HasDue = climate.MistPending, false
	missing, weak := &en.slots[alarm.KindMistMissing], &en.slots[alarm.KindMistWeak]
	cause := Cause{Kind: CauseEnclosure, ID: en.cfg.ID}
	switch {
	case fault == climate.SupplyFault && e.powerGone(en, now):
		cause = Cause{Kind: CauseRoom}
	case fault == climate.SupplyFault:
		cause = Cause{Kind: CauseSupply, ID: e.supplyOf(en.mist)}
	}
	switch v {
	case climate.MistMissed:
		en.st.Missed++
		e.blame(missing, cause)
		missing.limit(float64(en.st.Missed), 1)
		e.hold(missing, now, true)
	case climate.MistSeen, climate.MistWeak:
		en.st.Missed = 0
		if missing.open() {
			e.hold(missing, now, false)
		}
	}
	switch v {
	case climate.MistWeak:
		// A single weak one may be a door or a full drip tray.
		if en.st.Weak++; en.st.Weak >= 2 {
			e.blame(weak, cause)
			weak.limit(float64(en.st.Weak), 2)
			e.hold(weak, now, true)
		}
	case climate.MistSeen:
		en.st.Weak = 0
		if weak.open() {
			e.hold(weak, now, false)
		}
	}
}

// softened is the verdict, unclear where a mist that fell would not have shown.
func (e *Engine) softened(en *enclosure) climate.MistVerdict {
	_, open := en.st.Door.Open()
	switch {
	case en.st.Verdict != climate.MistMissed:
		return en.st.Verdict
	case open: // it would not stay in the air
		return climate.MistUnclear
	case !en.now.hasHum:
	case en.now.hum >= soakedAir: // it would raise nothing
		return climate.MistUnclear
	case e.probes[en.now.humProbe].st.StillAt < en.st.DueAt: // not a digit has changed since
		return climate.MistUnclear
	}
	return climate.MistMissed
}

// powerGone reports whether all enclosures are cooler than usual beside the
// room while their lamps should be on, or the room itself is colder than usual:
// then a mist that fails everywhere is the power, not the pump.
func (e *Engine) powerGone(en *enclosure, now sensors.Instant) bool {
	pic := e.survey(now)
	if pic.Room.HasUsual && e.roomExplains(en, &pic, colder) != nil {
		return true
	}
	lit, fresh := e.litNow()
	if e.darkens(now.Mono) {
		return true
	}
	if fresh >= enoughPeers && 2*fresh >= len(e.encls) && pic.Changed >= enoughPeers && e.middleChange() < lampWarms {
		return true // nothing got warmer when the lamps were to come on
	}
	if lit < enoughPeers || 2*lit < len(e.encls) {
		return false
	}
	return pic.Judged >= enoughPeers && pic.Room.HasTemp && pic.Median < -powerOff
}

// darkens reports whether most enclosures whose lamps should have been on for
// long, and that no mist cools, cool together.
func (e *Engine) darkens(now time.Duration) bool {
	xs := e.scratch[:0]
	for i := range e.encls {
		o := &e.encls[i]
		if o.lamps < 0 || o.misted(now, 45*time.Minute) {
			continue
		}
		l := &e.lamps[o.lamps]
		if change, ok := o.st.Trend.Change(); ok && l.known && l.on && l.edge > 45*time.Minute {
			xs = append(xs, change)
		}
	}
	if len(xs) < enoughPeers || 2*len(xs) < len(e.encls) {
		return false
	}
	slices.Sort(xs)
	return xs[len(xs)/2] < -darkCools
}

// darkCools in °C in half an hour is more than an enclosure cools by day.
const darkCools = 0.25

// litNow counts the enclosures whose lamps should have been on for some time,
// and those of them whose lamps came on not long ago and are known to warm.
func (e *Engine) litNow() (lit, fresh int) {
	for i := range e.encls {
		o := &e.encls[i]
		if o.lamps < 0 {
			continue
		}
		l := &e.lamps[o.lamps]
		if !l.known || !l.on || l.edge <= 20*time.Minute {
			continue
		}
		lit++
		if l.edge <= 45*time.Minute && o.st.Thermal.Fit().LampGain >= clearLamp {
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

// blame sets the cause that the next transition tells.
func (e *Engine) blame(s *slot, c Cause) {
	if s.rec.Life.State == alarm.Norm || s.rec.Cause.Kind == "" {
		s.rec.Cause = c
	}
}
