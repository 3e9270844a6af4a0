package summary

import (
	"cmp"
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	"fmt"
	"time"
)

// Subject is the subject line of the mail.
func (r *Report) Subject() string {
	s := fmt.Sprintf("%s, week %s: ", words.OneLine(r.RoomName), r.Week)
	switch {
	case r.Early():
		return s + "before the record begins"
	case r.NoData:
		return s + "nothing was measured"
	case len(r.Do) == 0:
		return s + "nothing asks for you"
	default:
		return s + lower(words.OneLine(r.Do[0].Title))
	}
}

// verdict is the week in one sentence.
func (r *Report) verdict() string {
	if r.Early() {
		return "Nobody watched yet: the record begins on " + r.Begins.Format("Monday 2 January 2006") + "."
	}
	if r.NoData {
		return "Nothing was measured in this week."
	}
	measured := 0
	for _, e := range r.Enclosures {
		if e.Covered > 0 {
			measured++
		}
	}
	s := fmt.Sprintf("%d of %s measured", measured, count(len(r.Enclosures), "enclosure", "enclosures"))
	if inBand, ok := r.inBand(); ok {
		s += fmt.Sprintf(", on average %s of the measured time inside the band", share(inBand))
	}
	s += "; " + count(r.Alarms.Count, "alarm", "alarms")
	if r.Alarms.Wakes > 0 {
		s += ", " + count(r.Alarms.Wakes, "wake alarm", "wake alarms") + " among them"
	}
	if r.Blind >= 1 {
		s += fmt.Sprintf("; nothing at all was measured for %s", span(r.Blind))
	}
	return s + "."
}

// inBand is the mean share of the enclosures' time inside the band, false for none.
func (r *Report) inBand() (float64, bool) {
	sum, n := 0.0, 0
	for i := range r.Enclosures {
		if share := r.Enclosures[i].InBand; share != nil {
			sum += *share
			n++
		}
	}
	return sum / float64(max(n, 1)), n > 0
}

// dates writes the week's days, "Monday 16 to Sunday 22 November 2026".
func (r *Report) dates() string {
	last := r.To.Add(-12 * time.Hour)
	first := r.From.Format("Monday 2")
	switch {
	case r.From.Year() != last.Year():
		first = r.From.Format("Monday 2 January 2006")
	case r.From.Month() != last.Month():
		first = r.From.Format("Monday 2 January")
	}
	return first + " to " + last.Format("Monday 2 January 2006")
}

// A fact is one line about an enclosure.
type fact struct{ Name, Text string }

// facts are the lines about an enclosure, for text and HTML alike.
func (e *Enclosure) facts(u unit.Scale) []fact {
	var out []fact
	add := func(name, text string) {
		if text != "" {
			out = append(out, fact{name, words.OneLine(text)})
		}
	}
	if e.Covered == 0 {
		add("Missing", "nothing was measured")
		if e.Mist.Due > 0 {
			add("Mist pulses", mistWords(&e.Mist))
		}
		e.happened(u, add)
		return out
	}
	band := bandWords(&e.Figures)
	if e.Before.InBand != nil {
		band += " (week before " + share(*e.Before.InBand) + ")"
	}
	add("Band", band)
	day := "Day"
	if !e.Limits.Lamps {
		day = "All hours"
	}
	add(day, e.Day.Temperature.degrees(&e.Limits, u)+", "+e.Day.Humidity.percents())
	if e.Limits.Lamps {
		add("Night", e.Figures.Night.Temperature.degrees(&e.Limits, u)+", "+e.Figures.Night.Humidity.percents())
		if len(e.Nights) > 0 && !e.Unrecorded {
			s := nightWords(e.Nights, e.Limits.DropMin, u)
			if e.Limits.DropMin > 0 {
				s += "; wanted " + delta(e.Limits.DropMin, u)
			}
			add("Night drop", s)
		}
	}
	add("Floor", floorWords(&e.Limits, &e.Figures))
	e.logged(u, add)
	if e.reached() {
		add("Lethal limit", fmt.Sprintf("%s at or above %s", span(*e.AboveMin), degrees(e.Limits.Lethal, u)))
	}
	add("Missing", e.missing())
	e.happened(u, add)
	return out
}

func (e *Enclosure) missing() string {
	text := "nothing"
	if e.Missing >= 1 {
		text = span(e.Missing) + " were not measured"
	}
	if e.young {
		text += ", counted from the first reading on " + e.since.Format("Mon 15:04")
	}
	return text
}

func (e *Enclosure) logged(u unit.Scale, add func(name, text string)) {
	if e.Unrecorded {
		add("Not recorded", "mist pulses, dry-downs, night drops and exposure")
		return
	}
	if e.Limits.Mist {
		add("Mist pulses", mistWords(&e.Mist))
		add("Dry-down", dryWords(&e.DryDown, &e.Before.DryDown))
	}
	add("Exposure", exposureWords(&e.Exposure, u))
}

const linesTold = 6

func (e *Enclosure) happened(u unit.Scale, add func(name, text string)) {
	some := func(name string, lines []string, one, many string) {
		for i, line := range capped(lines, linesTold, one, many) {
			if i == linesTold {
				name = ""
			}
			add(name, line)
		}
	}
	some("Excursion", excursionLines(e.Excursions, &e.Limits, u), "excursion", "excursions")
	some("Alarm", alarmLines(e.Others), "alarm", "alarms")
	for i := range e.Probes {
		add("Probe", e.Probes[i].ID+": "+trustWords(&e.Probes[i]))
	}
	for _, n := range e.Notes {
		add("Note", noteWords(n))
	}
}

// capped are the first of some lines, and how many more there are.
func capped(lines []string, most int, one, many string) []string {
	if len(lines) <= most {
		return lines
	}
	return append(lines[:most:most], fmt.Sprintf("and %s more", count(len(lines)-most, one, many)))
}

func alarmLines(list []Excursion) (lines []string) {
	for i := range list {
		lines = append(lines, list[i].line(nil, unit.Celsius)) // without a figure
	}
	return lines
}

// excursionLines tell excursions one by one, but those of one alarm that were for the
// week only in one line, by the first of them.
func excursionLines(list []Excursion, l *Limits, u unit.Scale) (lines []string) {
	notes := map[alarm.ID]int{}
	for i := range list {
		if list[i].Priority == alarm.Note {
			notes[list[i].Alarm]++
		}
	}
	for _, x := range list {
		n := notes[x.Alarm]
		switch {
		case x.Priority > alarm.Note || n == 1:
			lines = append(lines, x.line(l, u))
		case n > 1:
			lines = append(lines, fmt.Sprintf("%s, and %d more like it", x.line(l, u), n-1))
			notes[x.Alarm] = 0
		}
	}
	return lines
}

func noteWords(n Note) string {
	return fmt.Sprintf("%s, %s: %s", n.At.Format("Mon 15:04"), words.OneLine(n.By), words.OneLine(n.Text))
}

func (r *Report) roomLines() []string {
	var out []string
	for i := range r.Probes {
		out = append(out, fmt.Sprintf("Probe %s (%s): %s", r.Probes[i].ID, r.Probes[i].Place, trustWords(&r.Probes[i])))
	}
	lines := alarmLines(r.Others)
	for i := range lines {
		lines[i] = r.subject(r.Others[i].Subject) + ": " + lower(lines[i])
	}
	out = append(out, capped(lines, linesTold, "alarm", "alarms")...)
	for _, n := range r.Notes {
		out = append(out, noteWords(n))
	}
	return out
}

func (r *Report) qualityLines(u unit.Scale) []string {
	q := &r.Alarms
	if q.Count == 0 && q.Longest == 0 {
		return []string{fmt.Sprintf("No alarm; the week before %d.", q.Before)}
	}
	out := []string{
		fmt.Sprintf("%s (week before %d), %.1f a day (four weeks: %.1f), at most %d on one day: %d wake, %d today, %d note.",
			count(q.Count, "alarm", "alarms"), q.Before, q.PerDay, q.FourWeeks, q.BusiestDay,
			q.ByPriority["wake"], q.ByPriority["today"], q.ByPriority["note"]),
		fmt.Sprintf("They became %s; %d of the wake alarms came between 22:00 and 07:00.", count(q.Notices, "notice", "notices"), q.Nightly),
	}
	ack := "Nobody acknowledged any."
	if q.Acked > 0 {
		ack = fmt.Sprintf("%d were acknowledged, after %s in the mean and %s at most; %d were not.", q.Acked, span(q.AckMean), span(q.AckMax), q.Unacked)
	}
	out = append(out, ack,
		fmt.Sprintf("Longest active %s, longest without an acknowledgement %s.", span(q.Longest), span(q.LongestWait)),
		fmt.Sprintf("Floods (more than 10 in 10 minutes): %d. Chattering: %s. Active for more than a day: %s. Shelved: %d. Gone to the next person: %d.",
			q.Floods, cmp.Or(r.alarmNames(q.Chattering, 4), "none"), cmp.Or(r.alarmNames(q.Stale, 4), "none"), q.Shelved, q.Escalated))
	if len(q.Top) > 0 && q.Top[0].N > 1 {
		var names []string
		for _, c := range q.Top {
			names = append(names, fmt.Sprintf("%s (%s) %d", words.Headline(c.Alarm), r.subject(c.Subject), c.N))
		}
		out = append(out, "Most frequent: "+list(names, topMany)+".")
	}
	for _, c := range q.Top {
		if said := words.Fact(c.Suggestion, u); said != "" {
			out = append(out, fmt.Sprintf("For %s (%s): %s.", words.Headline(c.Alarm), r.subject(c.Subject), said))
		}
	}
	return out
}

func (r *Report) careLines() []string {
	var out []string
	d := &r.Drill
	if d.Last.IsZero() {
		out = append(out, "No drill is on record.")
	} else {
		how := map[bool]string{true: "answered", false: "not answered yet"}[d.Answered]
		out = append(out, fmt.Sprintf("Last drill on %s: %s.", d.Last.Format(dateForm), cmp.Or(d.Result, how)))
	}
	if !d.Due.IsZero() {
		out = append(out, "Next drill due on "+d.Due.Format(dateForm+" 2006")+".")
	}
	var due []string
	for _, c := range r.Due {
		word := "due on"
		if !c.At.After(r.Until) {
			word = "overdue since"
		}
		s := fmt.Sprintf("Probe %s, %s: %s %s", c.Probe, c.Quantity, word, c.At.Format(dateForm+" 2006"))
		if c.Never {
			s += ", never calibrated"
		}
		due = append(due, s+".")
	}
	if len(due) == 0 {
		due = append(due, "No calibration is due within two weeks.")
	}
	return append(out, capped(due, 2*linesTold, "calibration", "calibrations")...)
}
