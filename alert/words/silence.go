package words

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"dewline/rules/alarm"
)

// The ways to put alarms away.
const (
	PutAway  = "shelved"
	TakenOut = "out-of-service"
	Emptied  = "empty" // out of service, and nobody lives there
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

func silenceTitle(list []Silenced, in *time.Location) string {
	s, more := list[0], ""
	if len(list) > 1 {
		more = fmt.Sprintf(" and %d more", len(list)-1)
	}
	switch {
	case s.How == OnDuty:
		return cmp.Or(s.Name, s.Subject) + " is on duty " + s.end(in) + more
	case s.How == DutyOver:
		return "The turns of the configuration hold again" + more
	case more != "":
		return "Put away: alarms of " + s.named() + more
	case s.How == Dropped:
		return "No longer watched: " + s.named()
	case s.How == Raised:
		return "Lethal limit raised: " + s.named()
	}
	return s.By + " put away: alarms of " + s.named()
}

func silenceText(list []Silenced, in *time.Location) string {
	var lines []string
	for i := range list {
		if i == listedSilences {
			lines = append(lines, fmt.Sprintf("and %d more.", len(list)-i))
			break
		}
		lines = append(lines, list[i].line(in))
	}
	return strings.Join(lines, "\n")
}

func (s *Silenced) named() string {
	if s.Name == "" || s.Name == s.Subject {
		return s.Subject
	}
	return s.Name + " (" + s.Subject + ")"
}

func (s *Silenced) line(in *time.Location) string {
	what, why := s.what(), ""
	if s.Why != "" {
		why = " The reason given: " + s.Why + "."
	}
	undo := "dewline alarm in-service " + s.Subject
	var t string
	switch s.How {
	case Dropped:
		return "The configuration in force has " + s.named() + " no longer, while this was open: " + what +
			". Nobody watches it now. To undo that, put it back into the file under the same id and reload."
	case Raised:
		return "The configuration in force has a higher lethal limit for " + s.named() + " than the one before, while this was open: " + what +
			". To undo that, put the old one back into the file and reload."
	case PutAway:
		t = fmt.Sprintf("%s put away %s of %s %s.", s.By, what, s.named(), s.end(in))
		undo = "dewline alarm unshelve " + s.Subject
		if len(s.Alarms) == 1 {
			undo = fmt.Sprintf("dewline alarm unshelve %s %s", s.Alarms[0], s.Subject)
		}
	case OnDuty:
		t = fmt.Sprintf("%s put %s on duty %s: what wakes somebody goes there first.", s.By, s.named(), s.end(in))
		undo = "dewline alarm duty-over"
	case DutyOver:
		return s.By + " ended it that somebody was put on duty: the turns of the configuration hold again." + why
	case Emptied:
		t = fmt.Sprintf("%s declared %s empty %s: nothing of it is told, lethal heat included.", s.By, s.named(), s.end(in))
	default:
		t = fmt.Sprintf("%s took %s out of service %s: of an enclosure only lethal heat is told.", s.By, s.named(), s.end(in))
	}
	return t + why + " To undo that: its page, or " + undo + "."
}

func (s *Silenced) what() string {
	if len(s.Alarms) == 0 {
		return "every alarm"
	}
	var names []string
	for _, id := range s.Alarms {
		if name := Headline(id); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return strings.Join(names, ", ")
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
