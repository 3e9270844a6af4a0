package summary

import (
	"dewline/alert/words"
	"dewline/configs/unit"
	"dewline/rules/alarm"
	_ "embed"
	"fmt"
	"strings"
	"text/template"
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

type fact struct{ Name, Text string }

// linesTold is how many excursions and alarms of a subject have a line.
const linesTold = 6

//go:embed english.tmpl
var english string

// A teller writes the sentences of a summary for a reader of one scale.
type teller struct {
	u unit.Scale
	t *template.Template
}

// say writes one of the texts of english.tmpl about of.
func (w *teller) say(name string, of any) string {
	var b strings.Builder
	if err := w.t.ExecuteTemplate(&b, name, of); err != nil { // tests say all of them
		fmt.Fprintf(&b, " (%v)", err)
	}
	return b.String()
}

// lines are those of a text that are not empty.
func (w *teller) lines(name string, of any) (out []string) {
	for line := range strings.SplitSeq(w.say(name, of), "\n") {
		if line != "" {
			out = append(out, words.OneLine(line))
		}
	}
	return out
}

// facts are the lines about an enclosure, for text and HTML alike.
func (w *teller) facts(e *Enclosure) (out []fact) {
	for _, line := range w.lines("facts", e) {
		if name, text, _ := strings.Cut(line, "|"); text != "" {
			out = append(out, fact{name, text})
		}
	}
	return out
}

// newTeller reads the texts, which a test does first.
func newTeller(u unit.Scale) *teller {
	w := &teller{u: u}
	w.t = template.Must(template.New("").Funcs(w.funcs()).Parse(english))
	return w
}

// funcs are what the texts ask for, for the teller's reader.
func (w *teller) funcs() template.FuncMap {
	u := w.u
	return template.FuncMap{
		"count": count, "share": share, "span": span, "percents": (*Spread).percents, "hottest": hottest, "oneLine": words.OneLine,
		"capital": words.Capital, "headline": words.Headline, "reason": worstReason, "scale": u.Name,
		"degrees":  func(celsius float64) string { return degrees(celsius, u) },
		"delta":    func(kelvins float64) string { return delta(kelvins, u) },
		"beside":   func(celsius float64, l Limits) string { return beside(celsius, &l, u) },
		"spread":   func(s *Spread, l Limits) string { return s.degrees(&l, u) },
		"humidity": func(percent float64) string { return unbroken(words.Percent(percent)) },
		"drop": func(kelvins, wanted float64) string {
			return strings.TrimSuffix(words.Drop(kelvins, wanted, u), " "+u.Name())
		},
		"nbsp":     func() string { return nbsp },
		"some":     func(minutes float64) bool { return minutes > 0 },
		"peak":     func(x Excursion) string { return x.furthestText(u) },
		"measured": (*Report).measured, "inBand": (*Report).inBand, "subject": (*Report).subject, "frequent": (*Report).frequent,
		"names":      func(r *Report, ids []string) string { return r.alarmNames(ids, 4) },
		"suggestion": func(c Count) string { return words.Fact(c.Suggestion, u) },
		"most":       func() int { return linesTold },
		"firstDue":   func(r *Report) []Due { return r.Due[:min(len(r.Due), 2*linesTold)] },
		"moreDue":    func(r *Report) int { return max(len(r.Due)-2*linesTold, 0) },
		"young":      (*Enclosure).firstRead, "roomAlarms": w.roomAlarms, "alarms": w.alarmLines,
		"excursions": func(e *Enclosure) []string {
			return capped(w.excursionLines(e.Excursions, &e.Limits), "excursion", "excursions")
		},
	}
}

// firstRead is when the first reading of all came, empty where there were earlier ones.
func (e *Enclosure) firstRead() string {
	if !e.young {
		return ""
	}
	return e.since.Format("Mon 15:04")
}

func (r *Report) measured() (n int) {
	for _, e := range r.Enclosures {
		if e.Covered > 0 {
			n++
		}
	}
	return n
}

// inBand is the mean share of the enclosures' time inside the band, nil for none.
func (r *Report) inBand() *float64 {
	sum, n := 0.0, 0
	for i := range r.Enclosures {
		if share := r.Enclosures[i].InBand; share != nil {
			sum += *share
			n++
		}
	}
	if n == 0 {
		return nil
	}
	return new(sum / float64(n))
}

// frequent names the most frequent alarms, where any came twice.
func (r *Report) frequent() string {
	var names []string
	for _, c := range r.Alarms.Top {
		names = append(names, fmt.Sprintf("%s (%s) %d", words.Headline(c.Alarm), r.subject(c.Subject), c.N))
	}
	if len(names) == 0 || r.Alarms.Top[0].N < 2 {
		return ""
	}
	return list(names, topMany)
}

// roomAlarms are the lines about alarms of the room's own probes and of dewline.
func (w *teller) roomAlarms(r *Report) (lines []string) {
	for _, x := range r.Others {
		lines = append(lines, r.subject(x.Subject)+": "+lower(w.say("excursion", x)))
	}
	return capped(lines, "alarm", "alarms")
}

// capped are the first of some lines, and how many more there are.
func capped(lines []string, one, many string) []string {
	if len(lines) <= linesTold {
		return lines
	}
	return append(lines[:linesTold:linesTold], fmt.Sprintf("and %s more", count(len(lines)-linesTold, one, many)))
}

func (x Excursion) furthestText(u unit.Scale) string {
	if x.Alarm == alarm.HumidityFloor {
		return unbroken(words.BesideFloor(*x.Peak, x.limits.Floor).Value)
	}
	return beside(*x.Peak, x.limits, u)
}

func (w *teller) alarmLines(list []Excursion) (lines []string) {
	for _, x := range list {
		lines = append(lines, w.say("excursion", x))
	}
	return capped(lines, "alarm", "alarms")
}

// excursionLines tell excursions one by one, but those of one alarm that were for the
// week only in one line, by the first of them.
func (w *teller) excursionLines(list []Excursion, l *Limits) (lines []string) {
	notes := map[alarm.ID]int{}
	for i := range list {
		if list[i].Priority == alarm.Note {
			notes[list[i].Alarm]++
		}
	}
	for _, x := range list {
		x.limits = l
		line, n := w.say("excursion", x), notes[x.Alarm]
		switch {
		case x.Asks() || n == 1:
			lines = append(lines, line)
		case n > 1:
			lines = append(lines, fmt.Sprintf("%s, and %d more like it", line, n-1))
			notes[x.Alarm] = 0
		}
	}
	return lines
}
