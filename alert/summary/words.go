package summary

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"dewline/alert/words"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules"
	"dewline/rules/alarm"
)

// Spaces at which a line is not broken; plain text gets plain ones in the end.
const (
	nbsp = "\u00a0"
	dash = nbsp + "–" + nbsp
)

// unbroken keeps a number and its unit on one line.
func unbroken(s string) string { return strings.ReplaceAll(s, " ", nbsp) }

func degrees(celsius float64, u unit.Scale) string { return unbroken(words.Degrees(celsius, u)) }

// beside is degrees of what may have come to the lethal limit.
func beside(celsius float64, l *Limits, u unit.Scale) string {
	return unbroken(words.Beside(celsius, l.Lethal, u))
}

func delta(kelvins float64, u unit.Scale) string { return unbroken(words.Steps(kelvins, u)) }

// degrees writes least, mean and greatest, "21.2 – 23.4 – 26.0 °C".
func (s *Spread) degrees(l *Limits, u unit.Scale) string {
	if s == nil {
		return "not measured"
	}
	return words.Bare(s.Min, u) + dash + words.Bare(s.Mean, u) + dash + beside(s.Max, l, u)
}

func (s *Spread) percents() string {
	if s == nil {
		return "not measured"
	}
	return fmt.Sprintf("%.0f"+dash+"%.0f"+dash+"%.0f"+nbsp+"%%", s.Min, s.Mean, s.Max)
}

func percent(v float64) string { return unbroken(words.Humidity(v)) }

// span writes minutes as every text does.
func span(minutes float64) string {
	return unbroken(words.Span(time.Duration(minutes * float64(time.Minute))))
}

// share writes a part of the whole in whole percent; only all is 100 % and
// only none is 0 %.
func share(f float64) string {
	switch p := math.Round(f * 100); {
	case p >= 100 && f < 1:
		return "over 99" + nbsp + "%"
	case p <= 0 && f > 0:
		return "under 1" + nbsp + "%"
	default:
		return percent(p)
	}
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// list writes names, at most so many of them.
func list(names []string, most int) string {
	if len(names) > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	if n := len(names); n > 1 {
		return strings.Join(names[:n-1], ", ") + " and " + names[n-1]
	}
	return strings.Join(names, "")
}

// When writes how long an excursion was: "Sat 13:40 – 19:20" or
// "Sat 22:10 – Sun 03:00", with the date of a day that is not in the week.
func (x Excursion) When() string {
	const full = "Mon 15:04"
	from := x.From.Format(full)
	if x.began {
		from = x.From.Format("2 January 15:04")
	}
	switch {
	case x.To.IsZero():
		return from + ", still going on"
	case !x.began && x.From.YearDay() == x.To.YearDay():
		return from + " – " + x.To.Format("15:04")
	default:
		return from + " – " + x.To.Format(full)
	}
}

// What says in a few words what is the matter.
func (x Excursion) What() string {
	return words.HeadlineOf(alarm.Key{Alarm: x.Alarm, Subject: x.Subject})
}

func worstReason(p Probe) string {
	best, reasons := "", p.Reasons
	for r, n := range reasons {
		if r != "" && (best == "" || n > reasons[best] || n == reasons[best] && r < best) {
			best = r
		}
	}
	return words.Reason(best)
}

func hottest(f *Figures) *float64 {
	var out *float64
	for _, c := range []Climate{f.Day, f.Night} {
		if c.Temperature != nil && (out == nil || c.Temperature.Max > *out) {
			out = &c.Temperature.Max
		}
	}
	return out
}

// stageWords tells the species and, unless adult, the stage.
func stageWords(e *Enclosure) string {
	if e.Stage != "" && e.Stage != string(configs.Adult) {
		return e.Species + ", " + e.Stage
	}
	return e.Species
}

func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

const dateForm = "2 January"

func (r *Report) subject(id string) string {
	if id == alarm.Secrets || id == alarm.Broker {
		return rules.Self
	}
	for i := range r.Enclosures {
		if r.Enclosures[i].ID == id {
			return r.Enclosures[i].Name
		}
	}
	return id
}

// alarmNames writes onsets such as "above-band/a-1-1/0" in words, at most n of them.
func (r *Report) alarmNames(ids []string, n int) string {
	var out []string
	for _, id := range ids {
		kind, rest, _ := strings.Cut(id, "/")
		x := Excursion{Alarm: alarm.ID(kind), Subject: rest[:strings.LastIndexByte(rest, '/')]}
		if s := x.What() + " (" + r.subject(x.Subject) + ")"; !slices.Contains(out, s) {
			out = append(out, s)
		}
	}
	return list(out, n)
}
