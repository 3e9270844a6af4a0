package summary

import (
	"cmp"
	"fmt"
	"iter"
	"math"
	"slices"

	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
)

// most is how many things a week's summary asks for: a keeper has minutes for
// each rack, and a longer list would not be read.
const most = 3

// What makes a figure worth a word.
const (
	missingMuch  = 60.0  // minutes of an enclosure that nobody measured
	missingHours = 360.0 // and from where on it is urgent
	floorMuch    = 30.0  // minutes below the floor
	doseMuch     = 0.25  // of the reference
	bandLittle   = 0.8   // share inside the band
	trustLittle  = 0.9   // share of good readings
	dropNights   = 3     // nights without the wanted drop
	dayCovered   = 1440  // minutes of a day, from which on a week is judged as one
)

// An adviser says what to do, what changed and what comes up, to one reader.
type adviser struct {
	*Report
	*teller
	wishes []point
}

// A point is one thing to say, with what it weighs against others. Points of one kind
// about several enclosures become one.
type point struct {
	weight float64
	Advice
	kind string // of a wish its title with %s for the enclosure, "Raise the humidity of %s"; empty for no other
	name string // of the enclosure
}

// weighty yields points by their weight, the first of each kind or title, with the names
// of the others of its kind.
func weighty(all []point) iter.Seq2[point, []string] {
	slices.SortStableFunc(all, func(x, y point) int { return cmp.Compare(y.weight, x.weight) })
	return func(yield func(point, []string) bool) {
		for i, p := range all {
			alike := func(o point) bool { return o.kind != "" && o.kind == p.kind }
			same := func(o point) bool { return alike(o) || o.Title != "" && o.Title == p.Title }
			if slices.ContainsFunc(all[:i], same) {
				continue
			}
			var others []string
			for _, o := range all[i+1:] {
				if alike(o) && o.name != p.name && !slices.Contains(others, o.name) {
					others = append(others, o.name)
				}
			}
			if !yield(p, others) {
				return
			}
		}
	}
}

// In returns the report with its sentences written for a reader of u; figures
// stay in the units that their names say.
func (r *Report) In(u unit.Scale) *Report { return r.by(newTeller(u)) }

func (r *Report) by(w *teller) *Report {
	c := *r
	a := adviser{Report: &c, teller: w}
	c.Do, c.Changes, c.Outlook = a.mostUrgent(), a.changes(), a.outlook()
	return &c
}

// ask wishes for something. The ranks are this project's own judgement: heat first, then
// what dewline cannot see, then water, then habits of the climate, then care of the probes.
func (a *adviser) ask(rank float64, title, why string) {
	a.wishes = append(a.wishes, point{weight: rank, Advice: Advice{title, why}})
}

// about asks something of one enclosure; kind is its title with %s for the name.
func (a *adviser) about(e *Enclosure, rank float64, kind, why string) {
	a.wishes = append(a.wishes, point{rank, Advice{fmt.Sprintf(kind, e.Name), why}, kind, e.Name})
}

// mostUrgent picks the three most urgent things.
func (a *adviser) mostUrgent() []Advice {
	out := []Advice{}
	if a.Early() {
		return out
	}
	if a.NoData {
		return []Advice{{"Find out why nothing was measured", "The record holds no reading of this week."}}
	}
	a.heat()
	a.self()
	a.mist()
	for i := range a.Enclosures {
		a.habits(&a.Enclosures[i])
		a.probes(&a.Enclosures[i])
	}
	a.care()
	for w, others := range weighty(a.wishes) {
		if len(out) == most {
			break
		}
		if len(others) > 0 {
			w.Title = fmt.Sprintf(w.kind, fmt.Sprintf("%s and %s", w.name, count(len(others), "other", "others")))
			w.Why = w.name + ": " + lower(w.Why) + " Likewise " + list(others, 4) + "."
		}
		out = append(out, w.Advice)
	}
	return out
}

func isHot(x Excursion) bool { return x.Alarm == alarm.AboveBand || x.Alarm == alarm.LethalLimit }

// Reached reports whether it came to its lethal limit.
func (e *Enclosure) Reached() bool { return e.AboveMin != nil && *e.AboveMin > 0 }

// heat tells of enclosures that were too warm: of the room where many were, else
// of the worst.
func (a *adviser) heat() {
	var worst *Enclosure
	var hot []string
	margin := math.Inf(1)
	lethal := 0
	for _, e := range a.Enclosures {
		if !slices.ContainsFunc(e.Excursions, isHot) && !e.Reached() && e.Exposure.Peak < doseMuch {
			continue
		}
		if e.Reached() {
			lethal++
		}
		hot = append(hot, e.Name)
		if h := hottest(&e.Figures); h != nil && (worst == nil || e.Limits.Lethal-*h < margin) {
			worst, margin = &e, e.Limits.Lethal-*h
		}
	}
	if worst == nil {
		return
	}
	rank := 60.0
	if lethal > 0 {
		rank = 100
	}
	why := a.heatWords(worst)
	if n := len(a.Enclosures); len(hot) >= max(3, (n+1)/2) {
		why = fmt.Sprintf("%d of %d enclosures were too warm. ", len(hot), n) + why
		if lethal > 1 {
			why += fmt.Sprintf(" %d enclosures reached their lethal limit.", lethal)
		}
		a.ask(rank, "See to the cooling of the room", why)
		return
	}
	if len(hot) > 1 {
		others := slices.DeleteFunc(hot, func(name string) bool { return name == worst.Name })
		why += " Too warm were also " + list(others, 3) + "."
	}
	a.ask(rank-2, "Find out why "+worst.Name+" gets too warm", why)
}

func (a *adviser) heatWords(e *Enclosure) string {
	h := *hottest(&e.Figures)
	s := fmt.Sprintf("%s reached %s", e.Name, beside(h, &e.Limits, a.u))
	for _, x := range e.Excursions {
		if isHot(x) && x.Peak != nil && *x.Peak >= h && !x.PeakAt.IsZero() {
			s += " on " + x.PeakAt.Format("Monday 15:04")
			break
		}
	}
	s += fmt.Sprintf("; its lethal limit is %s.", degrees(e.Limits.Lethal, a.u))
	if e.Reached() {
		s += fmt.Sprintf(" It stayed at or above it for %s.", span(*e.AboveMin))
	}
	if e.Exposure.Peak >= doseMuch {
		s += fmt.Sprintf(" The exposure came to %s of your reference, a relative figure.", share(e.Exposure.Peak))
	}
	return s
}

// self tells what stood between the enclosures and the keeper.
func (a *adviser) self() {
	if a.Blind >= missingMuch/2 {
		a.ask(82, "Find out why dewline stood still", fmt.Sprintf("Nothing at all was measured for %s; nobody would have been warned.", span(a.Blind)))
	}
	for _, x := range a.Others {
		rank, title := 0.0, ""
		switch x.Alarm {
		case alarm.DeliveryStalled:
			rank, title = 78, "Mend the delivery of notices by "+x.Subject
		case alarm.RecordIncomplete:
			rank, title = 68, "Look at the card that holds the record"
		case alarm.ClockUnset:
			rank, title = 62, "Give the board a clock"
		case alarm.ConfigRefused:
			rank, title = 34, "Mend the configuration"
			switch x.Subject {
			case alarm.Secrets:
				title = "Put the missing secret into its file"
			case alarm.Broker:
				title = "Let dewline hear its topics on the broker"
			}
		default:
			continue
		}
		a.ask(rank, title, words.Capital(x.What())+": "+x.When()+".")
	}
	if n := a.Alarms.unheard; n > 0 {
		a.ask(66, "See that wake notices are heard", fmt.Sprintf("%s this week. Hold a drill: dewline drill.",
			count(n, "wake alarm was not acknowledged by anybody", "wake alarms were not acknowledged by anybody")))
	}
}

// supplyShare of the enclosures on one supply that missed a mist make it the
// supply and not the nozzles, as in the rules.
const supplyShare = 0.7

// mist tells pump from nozzle.
func (a *adviser) mist() {
	type supply struct{ fed, dry, missed int } // enclosures on it, of which so many missed a mist; the most missed
	by := map[string]supply{}
	for i := range a.Enclosures {
		missed, s := a.Enclosures[i].Mist.Missed, by[a.supply[a.Enclosures[i].ID]]
		s.fed, s.dry, s.missed = s.fed+1, s.dry+min(missed, 1), max(s.missed, missed)
		by[a.supply[a.Enclosures[i].ID]] = s
	}
	for _, e := range a.Enclosures {
		name := a.supply[e.ID]
		s, why := by[name], "Mist pulses: "+a.say("mist", e.Mist)+"."
		switch {
		case name == "" || e.Mist.Missed == 0 && e.Mist.Weak < 2:
		case s.fed > 1 && float64(s.dry) >= supplyShare*float64(s.fed):
			a.ask(70, "Look at pump and reservoir of "+name, fmt.Sprintf("%d of the %d enclosures on it missed a mist, up to %d of them.", s.dry, s.fed, s.missed))
		case e.Mist.Missed >= 2:
			a.about(&e, 56, "Clean the nozzle of %s", why)
		case e.Mist.Weak >= 2:
			a.about(&e, 40, "Look at the nozzle of %s", why)
		}
	}
}

func (a *adviser) habits(e *Enclosure) {
	if e.Missing-a.Blind >= missingMuch {
		rank := 46.0
		if e.Missing >= missingHours {
			rank = 76
		}
		a.about(e, rank, "Mend the probe of %s", words.Capital(span(e.Missing))+" were not measured.")
	}
	if e.BelowMin != nil && *e.BelowMin >= floorMuch {
		a.about(e, 50+min(*e.BelowMin/120, 14), "Raise the humidity of %s", words.Capital(a.say("floor", e))+".")
	}
	if short, known := e.shortNights(); short >= dropNights {
		a.about(e, 36+float64(short)/10, "Let %s cool at night", fmt.Sprintf("%d of %d measured nights were without the drop of %s that is wanted.",
			short, known, delta(e.Limits.DropMin, a.u)))
	}
	if e.InBand != nil && *e.InBand < bandLittle && e.Covered >= dayCovered && !slices.ContainsFunc(e.Excursions, isHot) {
		a.about(e, 38+10*(bandLittle-*e.InBand), "Bring %s back into the band", words.Capital(a.say("band", e))+".")
	}
	why := a.say("dry", e) + "."
	switch e.DryDown.Trend {
	case "slower":
		a.about(e, 37, "Look at the vent and fan of %s", "It dries slower than usual: "+why)
	case "faster":
		a.about(e, 37, "Look at the seal and vent of %s", "It dries faster than usual: "+why)
	}
}

func (e *Enclosure) shortNights() (short, known int) {
	for _, n := range e.Nights {
		if n.Drop == nil {
			continue
		}
		known++
		if want := e.Limits.DropMin; want > 0 && *n.Drop < want {
			short++
		}
	}
	return short, known
}

// probes looks at the probes of one enclosure and at what else is amiss there.
func (a *adviser) probes(e *Enclosure) {
	told := false
	for _, x := range e.Others {
		kind := ""
		switch x.Alarm {
		case alarm.DoorAjar:
			kind = "Look at the door of %s"
		case alarm.LampStuck:
			kind = "Look at the lamps of %s"
		case alarm.MistEndless:
			kind = "Look at the pump that mists %s"
		case alarm.ProbeWet, alarm.ProbeLossy, alarm.ProbeFrozen, alarm.ProbeJump, alarm.ProbeDisagrees, alarm.ProbeClock:
			kind = "Look at the probe of %s"
		default:
			continue
		}
		told = true
		a.about(e, 44, kind, words.Capital(x.What())+": "+x.When()+".")
	}
	for _, p := range e.Probes {
		if p.Trust() < trustLittle && !told {
			a.about(e, 41, "Look at the probe of %s", p.ID+": "+a.say("trust", p)+".")
		}
	}
}

func (a *adviser) care() {
	if d := a.Drill; !d.Due.IsZero() && d.Due.Before(a.Until) {
		why := "None is on record."
		if !d.Last.IsZero() {
			why = "The last one was on " + d.Last.Format(dateForm) + "."
		}
		a.ask(33, "Hold a drill", why+" Only an answered drill shows that notices arrive: dewline drill.")
	}
	if late, _ := a.calibrations(); len(late) > 0 {
		a.ask(32, "Calibrate "+count(len(late), "probe", "probes"), "Overdue: "+list(late, 4)+".")
	}
	if names := slices.Concat(a.Alarms.Chattering, a.Alarms.Stale); len(names) > 0 {
		a.ask(28, "Quieten the alarms", "Coming and going, or standing for more than a day: "+a.alarmNames(names, 3)+".")
	}
}

// changesTold is how many changes a summary tells.
const changesTold = 8

// What makes a difference to the week before worth a word.
const (
	bandMoved   = 0.10 // share inside the band
	tempMoved   = 0.7  // °C, mean of the day or the night
	dropMoved   = 0.8  // °C
	floorMoved  = 60.0 // minutes
	floorShare  = 0.25 // of the larger one, too
	mistMoved   = 2    // missed pulses
	alarmsMoved = 5
)

// changes lists what differs most from the week before. Each weighs as many times as it
// exceeds what is worth a word.
func (a *adviser) changes() []string {
	var all []point
	for _, e := range a.Enclosures {
		if e.comparable() {
			all = append(all, a.changesOf(&e)...)
		}
	}
	if q := a.Alarms; a.compared() && max(q.Count-q.Before, q.Before-q.Count) >= alarmsMoved {
		size := math.Abs(float64(q.Count-q.Before)) / alarmsMoved
		all = append(all, point{weight: size, Advice: Advice{Why: fmt.Sprintf("Alarms: %d, the week before %d.", q.Count, q.Before)}})
	}
	out := []string{}
	for c, others := range weighty(all) {
		if len(out) == changesTold {
			break
		}
		if len(others) > 0 {
			c.Why += " Likewise " + list(others, 4) + "."
		}
		out = append(out, c.Why)
	}
	return out
}

func (e *Enclosure) comparable() bool {
	return e.Covered >= dayCovered && e.Before.Covered >= dayCovered
}

func (r *Report) compared() bool {
	return slices.ContainsFunc(r.Enclosures, func(e Enclosure) bool { return e.comparable() })
}

func (a *adviser) warmer(d float64) string {
	word := " warmer"
	if d < 0 {
		word = " cooler"
	}
	return delta(math.Abs(d), a.u) + word
}

// changesOf compares the figures of one enclosure. Counts are not compared while
// the week is under way.
func (a *adviser) changesOf(e *Enclosure) []point {
	var out []point
	add := func(kind string, moved, worth float64, format string, args ...any) {
		if size := math.Abs(moved) / worth; size >= 1 {
			kind += map[bool]string{true: " up", false: " down"}[moved > 0]
			out = append(out, point{size, Advice{Why: e.Name + ": " + fmt.Sprintf(format, args...) + "."}, kind, e.Name})
		}
	}
	now, was := &e.Figures, &e.Before
	if now.InBand != nil && was.InBand != nil {
		add("band", *now.InBand-*was.InBand, bandMoved, "%s of the time inside the band, the week before %s", share(*now.InBand), share(*was.InBand))
	}
	means := func(half string, now, was *Spread) {
		if now != nil && was != nil {
			d := now.Mean - was.Mean
			add(half, d, tempMoved, "%s %s, mean %s", half, a.warmer(d), degrees(now.Mean, a.u))
		}
	}
	means("days", now.Day.Temperature, was.Day.Temperature)
	means("nights", now.Night.Temperature, was.Night.Temperature)
	if now.Drop != nil && was.Drop != nil {
		add("drop", *now.Drop-*was.Drop, dropMoved, "night drop %s, the week before %s", delta(*now.Drop, a.u), delta(*was.Drop, a.u))
	}
	switch now.DryDown.Trend {
	case "slower", "faster":
		add(now.DryDown.Trend, 1.5, 1, "it dries %s than usual: %s", now.DryDown.Trend, a.say("dry", e))
	}
	if a.Until.Before(a.To) {
		return out
	}
	if now.BelowMin != nil && was.BelowMin != nil {
		moved := *now.BelowMin - *was.BelowMin
		if math.Abs(moved) < floorShare*max(*now.BelowMin, *was.BelowMin) {
			moved = 0
		}
		add("floor", moved, floorMoved, "%s below the floor, the week before %s", span(*now.BelowMin), span(*was.BelowMin))
	}
	add("mist", float64(now.Mist.Missed-was.Mist.Missed), mistMoved, "%s missed, the week before %d",
		count(now.Mist.Missed, "mist pulse", "mist pulses"), was.Mist.Missed)
	return out
}

// outlook says what is known to come up. It forecasts no temperature and calls
// nothing safe.
func (a *adviser) outlook() []string {
	out := []string{}
	if len(a.open) > 0 {
		out = append(out, "Still open at the end of the week: "+a.alarmNames(a.open, 4)+".")
	}
	if a.next.To().Sub(a.next.From()).Hours() != 168 {
		out = append(out, "The clocks change next week: look at lamp and mist timers that do not change by themselves.")
	}
	if e := a.closest(); e != nil {
		out = append(out, fmt.Sprintf("Closest to its lethal limit was %s, with %s against %s.", e.Name, beside(*hottest(&e.Figures), &e.Limits, a.u), degrees(e.Limits.Lethal, a.u)))
	}
	if d := a.drift(); math.Abs(d) >= tempMoved {
		out = append(out, fmt.Sprintf("On average over the enclosures the days were %s than in the week before.", a.warmer(d)))
	}
	if _, soon := a.calibrations(); len(soon) > 0 {
		out = append(out, fmt.Sprintf("Calibrations due within two weeks: %s.", list(soon, 6)))
	}
	if d := a.Drill.Due; d.After(a.Until) && d.Before(a.Until.Add(dueWithin)) {
		out = append(out, "The next drill is due on "+d.Format("Monday, "+dateForm)+".")
	}
	return out
}

// nearLethal is how close to its lethal limit an enclosure comes before it is
// named, in °C.
const nearLethal = 2.0

// closest is the enclosure that came closest to its lethal limit, nil for none that
// came near.
func (r *Report) closest() (best *Enclosure) {
	left := nearLethal
	for _, e := range r.Enclosures {
		h := hottest(&e.Figures)
		if h != nil && *h < e.Limits.Lethal && e.Limits.Lethal-*h < left { // one that reached it is told of above
			best, left = &e, e.Limits.Lethal-*h
		}
	}
	return best
}

// drift is the mean change of the days' mean temperatures.
func (r *Report) drift() float64 {
	sum, n := 0.0, 0
	for _, e := range r.Enclosures {
		if e.comparable() && e.Day.Temperature != nil && e.Before.Day.Temperature != nil {
			sum += e.Day.Temperature.Mean - e.Before.Day.Temperature.Mean
			n++
		}
	}
	return sum / float64(max(n, 1))
}
