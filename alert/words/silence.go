package words

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"dewline/rules/alarm"
)

// The ways to put alarms away.
const (
	PutAway  = "shelved"
	TakenOut = "out-of-service"
	Emptied  = "empty"  // out of service, and nobody lives there
	Unseen   = "unseen" // the last probe of an enclosure is out of service
	Dropped  = "dropped"
	Raised   = "raised" // the lethal limit, while heat was told
)

// Changes of who is told first, which everybody hears of as well.
const (
	OnDuty   = "duty"
	DutyOver = "duty-over"
)

// A Silenced is that somebody put alarms of one subject away, or a person on duty.
type Silenced struct {
	How     string     `json:"how"`
	Subject string     `json:"subject"`
	Name    string     `json:"name,omitempty"`
	Alarms  []alarm.ID `json:"alarms,omitempty"` // none for every alarm
	By      string     `json:"by,omitempty"`
	Why     string     `json:"why,omitempty"`
	Hours   float64    `json:"hours,omitempty"`
	Until   time.Time  `json:"until,omitzero"` // zero where the clock is not set
	Once    bool       `json:"once,omitempty"` // until it is over, if that is sooner
}

// listedSilences is how many a message tells one by one.
const listedSilences = 12

// Silence tells who put what away, until when and how to undo it, in a title, a
// text and what to do first.
func Silence(list []Silenced, in *time.Location) (title, text, first string) {
	return silenceTitle(list, in), silenceText(list, in), silencedFirst
}

// A silencing is what is said of one way: a title, and a line of the text.
type silencing struct{ title, line phrase }

// silencingOf returns that of a way; one of another version counts as out of service.
func silencingOf(how string) silencing {
	if s, ok := silencings[how]; ok {
		return s
	}
	return silencings[TakenOut]
}

var silencings = map[string]silencing{
	PutAway:  {putAwayBy, "{by} put away {what} of {name} {end}.{why} To undo that: its page, or dewline alarm unshelve {alarm}{id}."},
	TakenOut: {putAwayBy, "{by} took {name} out of service {end}: of an enclosure only lethal heat is told.{why}" + inServiceAgain},
	Emptied:  {putAwayBy, "{by} declared {name} empty {end}: nothing of it is told, lethal heat included.{why}" + inServiceAgain},
	Unseen: {
		"{plain} is not watched {end}",
		"{by} took the probe {id} out of service {end}, the last one of {plain}: nobody sees whether it grows too hot there.{why}" + inServiceAgain,
	},
	Dropped: {
		"No longer watched: {name}",
		"The configuration in force has {name} no longer, while this was open: {what}. Nobody watches it now. " +
			"To undo that, put it back into the file under the same id and reload.",
	},
	Raised: {
		"Lethal limit raised: {name}",
		"The configuration in force has a higher lethal limit for {name} than the one before, while this was open: {what}. " +
			"To undo that, put the old one back into the file and reload.",
	},
	OnDuty: {
		"{plain} is on duty {end}",
		"{by} put {name} on duty {end}: what wakes somebody goes there first.{why} To undo that: its page, or dewline alarm duty-over.",
	},
	DutyOver: {
		"The turns of the configuration hold again",
		"{by} ended it that somebody was put on duty: the turns of the configuration hold again.{why}",
	},
}

const (
	putAwayBy      phrase = "{by} put away: alarms of {name}"
	putAwaySeveral phrase = "Put away: alarms of {name}"
	inServiceAgain phrase = " To undo that: its page, or dewline alarm in-service {id}."
)

func silenceTitle(list []Silenced, in *time.Location) string {
	s := list[0]
	if len(list) == 1 {
		return s.fill(silencingOf(s.How).title, in)
	}
	p := putAwaySeveral
	if s.How == OnDuty || s.How == DutyOver {
		p = silencingOf(s.How).title
	}
	return fmt.Sprintf("%s and %d more", s.fill(p, in), len(list)-1)
}

func silenceText(list []Silenced, in *time.Location) string {
	var lines []string
	for i := range list {
		if i == listedSilences {
			lines = append(lines, fmt.Sprintf("and %d more.", len(list)-i))
			break
		}
		lines = append(lines, list[i].fill(silencingOf(list[i].How).line, in))
	}
	return strings.Join(lines, "\n")
}

func (s *Silenced) named() string {
	if s.Name == "" || s.Name == s.Subject {
		return s.Subject
	}
	return s.Name + " (" + s.Subject + ")"
}

// fill fills a phrase in for one who reads the clock of in.
func (s *Silenced) fill(p phrase, in *time.Location) string {
	why, one := "", ""
	if s.Why != "" {
		why = " The reason given: " + s.Why + "."
	}
	if len(s.Alarms) == 1 {
		one = string(s.Alarms[0]) + " "
	}
	return p.with("name", s.named(), "plain", cmp.Or(s.Name, s.Subject), "id", s.Subject, "by", s.By, "what", s.what(),
		"end", s.end(in), "why", why, "alarm", one)
}

func (s *Silenced) what() string {
	if len(s.Alarms) == 0 {
		return "every alarm"
	}
	return Headlines(s.Alarms)
}

func (s *Silenced) end(in *time.Location) string {
	t := "for " + Span(time.Duration(s.Hours*float64(time.Hour)))
	if !s.Until.IsZero() {
		t = "until " + s.Until.In(in).Format("2 January 15:04")
	}
	if s.Once {
		t += " or until it is over"
	}
	return t
}
