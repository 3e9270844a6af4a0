package summary

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/rules"
)

// most is how many things a week's summary asks for: a keeper has minutes for
// each rack, and a longer list would not be read.
const most = 3

// A wish is advice with its urgency. Wishes of one kind about several
// enclosures become one. The ranks are this project's own
// judgement: heat first, then what dewline cannot see, then water, then habits
// of the climate, then care of the probes.
type wish struct {
	rank float64
	Advice
	kind string // what the title says of an enclosure, "Raise the humidity of %s"; empty for no other
	name string // of the enclosure
}

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

// advise picks the three most urgent things.
func (b adviser) advise() []Advice {
	r := b.report
	if r.Early() {
		return nil
	}
	if r.NoData {
		return []Advice{{"Find out why nothing was measured", "The record holds no reading of this week."}}
	}
	var all []wish
	all = append(all, b.adviseHeat()...)
	all = append(all, b.adviseSelf()...)
	all = append(all, b.adviseMist()...)
	for i := range r.Enclosures {
		all = append(all, b.adviseOne(&r.Enclosures[i])...)
	}
	all = append(all, b.adviseCare()...)
	slices.SortStableFunc(all, func(x, y wish) int { return cmp.Compare(y.rank, x.rank) })
	out := []Advice{}
	for i := 0; i < len(all) && len(out) < most; i++ {
		if first := i == slices.IndexFunc(all, func(w wish) bool { return w.Title == all[i].Title || w.kind != "" && w.kind == all[i].kind }); first {
			out = append(out, together(all[i:]))
		}
	}
	return out
}

// together joins the first wish with those of its kind behind it.
func together(some []wish) Advice {
	a := some[0].Advice
	var others []string
	for _, w := range some[1:] {
		if w.kind != "" && w.kind == some[0].kind && w.name != some[0].name && !slices.Contains(others, w.name) {
			others = append(others, w.name)
		}
	}
	if len(others) > 0 {
		a.Title = fmt.Sprintf(some[0].kind, fmt.Sprintf("%s and %s", some[0].name, count(len(others), "other", "others")))
		a.Why = some[0].name + ": " + lower(a.Why) + " Likewise " + list(others, 4) + "."
	}
	return a
}

// isHot reports whether an excursion was one of heat.
func isHot(x Excursion) bool { return x.Alarm == rules.AboveBand || x.Alarm == rules.LethalLimit }

// namesBut are the names of all but one.
func namesBut(all []*Enclosure, one *Enclosure) []string {
	var names []string
	for _, e := range all {
		if e != one {
			names = append(names, e.Name)
		}
	}
	return names
}

// adviseHeat tells of enclosures that were too warm: of the room where many
// were, else of the worst.
func (b adviser) adviseHeat() []wish {
	var hot []*Enclosure
	var worst *Enclosure
	margin := math.Inf(1)
	lethal := 0
	for i := range b.report.Enclosures {
		e := &b.report.Enclosures[i]
		reached := e.AboveMin != nil && *e.AboveMin > 0
		if !slices.ContainsFunc(e.Excursions, isHot) && !reached && e.Exposure.Peak < doseMuch {
			continue
		}
		if reached {
			lethal++
		}
		hot = append(hot, e)
		if h := hottest(&e.Figures); h != nil && (worst == nil || e.Limits.Lethal-*h < margin) {
			worst, margin = e, e.Limits.Lethal-*h
		}
	}
	if worst == nil {
		return nil
	}
	rank := 60.0
	if lethal > 0 {
		rank = 100
	}
	why := b.heatWords(worst)
	if n := len(b.report.Enclosures); len(hot) >= max(3, (n+1)/2) {
		why = fmt.Sprintf("%d of %d enclosures were too warm. ", len(hot), n) + why
		if lethal > 1 {
			why += fmt.Sprintf(" %d enclosures reached their lethal limit.", lethal)
		}
		return []wish{{rank: rank, Advice: Advice{"See to the cooling of the room", why}}}
	}
	if len(hot) > 1 {
		why += " Too warm were also " + list(namesBut(hot, worst), 3) + "."
	}
	return []wish{{rank: rank - 2, Advice: Advice{"Find out why " + worst.Name + " gets too warm", why}}}
}

func (b adviser) heatWords(e *Enclosure) string {
	s := fmt.Sprintf("%s reached %s", e.Name, tempMark(*hottest(&e.Figures)))
	for _, x := range e.Excursions {
		if isHot(x) && x.Peak != nil && *x.Peak >= *hottest(&e.Figures) {
			s += " on " + x.PeakAt.Format("Monday 15:04")
			break
		}
	}
	s += fmt.Sprintf("; its lethal limit is %s.", tempMark(e.Limits.Lethal))
	if e.AboveMin != nil && *e.AboveMin > 0 {
		s += fmt.Sprintf(" It stayed at or above it for %s.", span(*e.AboveMin))
	}
	if e.Exposure.Peak >= doseMuch {
		s += fmt.Sprintf(" The exposure came to %s of your reference, a relative figure.", share(e.Exposure.Peak))
	}
	return s
}

// adviseSelf tells what stood between the enclosures and the keeper.
func (b adviser) adviseSelf() []wish {
	var out []wish
	r := b.report
	if r.Blind >= missingMuch/2 {
		out = append(out, wish{rank: 82, Advice: Advice{"Find out why dewline stood still",
			fmt.Sprintf("Nothing at all was measured for %s; nobody would have been warned.", span(r.Blind))}})
	}
	for _, x := range r.Others {
		rank, title := 0.0, ""
		switch x.Alarm {
		case rules.DeliveryStalled:
			rank, title = 78, "Mend the delivery of notices by "+x.Subject
		case rules.RecordIncomplete:
			rank, title = 68, "Look at the card that holds the record"
		case rules.ClockUnset:
			rank, title = 62, "Give the board a clock"
		case rules.ConfigRefused:
			rank, title = 34, "Mend the configuration"
		}
		if title != "" && !slices.ContainsFunc(out, func(w wish) bool { return w.Title == title }) {
			out = append(out, wish{rank: rank, Advice: Advice{title, words.Capital(what(x.Alarm)) + ": " + x.when() + "."}})
		}
	}
	if n := b.unansweredWakes(); n > 0 {
		out = append(out, wish{rank: 66, Advice: Advice{"See that wake notices are heard",
			fmt.Sprintf("%s this week. Hold a drill: dewline drill.", count(n, "wake alarm was not acknowledged by anybody", "wake alarms were not acknowledged by anybody"))}})
	}
	return out
}

func (b adviser) unansweredWakes() int {
	n := 0
	for _, o := range b.onsets {
		if !o.From.Before(b.report.From) && o.Priority == rules.Wake && o.past.Answered.IsZero() && !o.Shelved {
			n++
		}
	}
	return n
}

// supplyShare of the enclosures on one supply that missed a mist make it the
// supply and not the nozzles, as in the rules.
const supplyShare = 0.7

// A supply feeds some enclosures, of which some missed a mist.
type supply struct{ fed, dry, missed int }

// supplies counts by supply and says which one feeds an enclosure.
func (b adviser) supplies() (by map[string]*supply, of map[string]string) {
	by, of = map[string]*supply{}, map[string]string{}
	for _, c := range b.cfg.Enclosures {
		if m, ok := b.cfg.MistOf(c); ok {
			of[c.ID] = cmp.Or(m.Supply, m.ID)
		}
	}
	for i := range b.report.Enclosures {
		e := &b.report.Enclosures[i]
		name := of[e.ID]
		if name == "" {
			continue
		}
		s := by[name]
		if s == nil {
			s = &supply{}
			by[name] = s
		}
		s.fed++
		s.missed = max(s.missed, e.Mist.Missed)
		if e.Mist.Missed > 0 {
			s.dry++
		}
	}
	return by, of
}

// adviseMist tells pump from nozzle.
func (b adviser) adviseMist() []wish {
	by, of := b.supplies()
	var out []wish
	told := map[string]bool{}
	for i := range b.report.Enclosures {
		e := &b.report.Enclosures[i]
		s := by[of[e.ID]]
		if s == nil || e.Mist.Missed == 0 && e.Mist.Weak < 2 {
			continue
		}
		switch {
		case s.fed > 1 && float64(s.dry) >= supplyShare*float64(s.fed):
			if !told[of[e.ID]] {
				told[of[e.ID]] = true
				out = append(out, wish{rank: 70, Advice: Advice{"Look at pump and reservoir of " + of[e.ID],
					fmt.Sprintf("%d of the %d enclosures on it missed a mist, up to %d of them.", s.dry, s.fed, s.missed)}})
			}
		case e.Mist.Missed >= 2:
			out = append(out, about(56, "Clean the nozzle of %s", e.Name, "Mist pulses: "+mistWords(&e.Mist)+"."))
		case e.Mist.Weak >= 2:
			out = append(out, about(40, "Look at the nozzle of %s", e.Name, "Mist pulses: "+mistWords(&e.Mist)+"."))
		}
	}
	return out
}

// adviseOne looks at the habits of one enclosure.
func (b *builder) adviseOne(e *Enclosure) []wish {
	var out []wish
	add := func(rank float64, kind, why string) {
		out = append(out, about(rank, kind, e.Name, why))
	}
	if e.Missing-b.report.Blind >= missingMuch {
		rank := 46.0
		if e.Missing >= missingHours {
			rank = 76
		}
		add(rank, "Mend the probe of %s", words.Capital(span(e.Missing))+" were not measured.")
	}
	if e.BelowMin != nil && *e.BelowMin >= floorMuch {
		add(50+min(*e.BelowMin/120, 14), "Raise the humidity of %s", words.Capital(floorWords(&e.Limits, &e.Figures))+".")
	}
	short, known := e.shortNights()
	if e.Limits.DropMin > 0 && short >= dropNights {
		add(36+float64(short)/10, "Let %s cool at night", fmt.Sprintf("%d of %d measured nights were without the drop of %s that is wanted.",
			short, known, deltaMark(e.Limits.DropMin)))
	}
	if e.InBand != nil && *e.InBand < bandLittle && e.Covered >= dayCovered && !slices.ContainsFunc(e.Excursions, isHot) {
		add(38+10*(bandLittle-*e.InBand), "Bring %s back into the band", words.Capital(bandWords(&e.Figures))+".")
	}
	switch e.DryDown.Trend {
	case "slower":
		add(37, "Look at the vent and fan of %s", "It dries slower than usual: "+dryWords(&e.DryDown, &e.Before.DryDown)+".")
	case "faster":
		add(37, "Look at the seal and vent of %s", "It dries faster than usual: "+dryWords(&e.DryDown, &e.Before.DryDown)+".")
	}
	return append(out, adviseProbes(e)...)
}

// about is a wish about one enclosure; kind is its title with %s for the name.
func about(rank float64, kind, name, why string) wish {
	return wish{rank, Advice{fmt.Sprintf(kind, name), why}, kind, name}
}

// shortNights counts the measured nights without the wanted drop.
func (e *Enclosure) shortNights() (short, known int) {
	for _, n := range e.Nights {
		if n.Drop == nil {
			continue
		}
		known++
		if *n.Drop < e.Limits.DropMin {
			short++
		}
	}
	return short, known
}

func adviseProbes(e *Enclosure) (out []wish) {
	told := map[string]bool{}
	for _, x := range e.Others {
		kind := ""
		switch x.Alarm {
		case rules.DoorAjar:
			kind = "Look at the door of %s"
		case rules.LampStuck:
			kind = "Look at the lamps of %s"
		case rules.MistEndless:
			kind = "Look at the pump that mists %s"
		case rules.ProbeWet, rules.ProbeFrozen, rules.ProbeJump, rules.ProbeDisagrees, rules.ProbeClock:
			kind = "Look at the probe of %s"
		}
		if kind != "" && !told[kind] {
			told[kind] = true
			out = append(out, about(44, kind, e.Name, words.Capital(what(x.Alarm))+": "+x.when()+"."))
		}
	}
	for i := range e.Probes {
		p := &e.Probes[i]
		if t, ok := p.Trust(); ok && t < trustLittle && len(told) == 0 {
			out = append(out, about(41, "Look at the probe of %s", e.Name, p.ID+": "+trustWords(p)+"."))
		}
	}
	return out
}

// adviseCare tells what upkeep is due.
func (b adviser) adviseCare() []wish {
	var out []wish
	r := b.report
	if d := r.Drill; !d.Due.IsZero() && d.Due.Before(r.Until) {
		why := "None is on record."
		if !d.Last.IsZero() {
			why = "The last one was on " + d.Last.Format(dateForm) + "."
		}
		out = append(out, wish{rank: 33, Advice: Advice{"Hold a drill", why + " Only an answered drill shows that notices arrive: dewline drill."}})
	}
	var late []string
	for _, d := range r.Due {
		if !d.At.After(r.Until) && !slices.Contains(late, d.Probe) {
			late = append(late, d.Probe)
		}
	}
	if len(late) > 0 {
		out = append(out, wish{rank: 32, Advice: Advice{"Calibrate " + count(len(late), "probe", "probes"), "Overdue: " + list(late, 4) + "."}})
	}
	if names := append(slices.Clone(r.Alarms.Chattering), r.Alarms.Stale...); len(names) > 0 {
		out = append(out, wish{rank: 28, Advice: Advice{"Quieten the alarms", "Coming and going, or standing for more than a day: " + r.alarmNames(names, 3) + "."}})
	}
	return out
}

// young reports whether the animals have tighter limits: they come first among
// equals.
func young(e *Enclosure) bool {
	return e.Stage == string(configs.Froglet) || e.Stage == string(configs.Tadpole)
}
