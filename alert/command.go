package alert

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/rules"
	"dewline/rules/alarm"
	"dewline/sensors"
)

// What a person can ask beside what the rules act on: Duty puts a person, named as
// the subject, before all others until an end; DutyOver ends that.
const (
	Duty     rules.ActionKind = "duty"
	DutyOver rules.ActionKind = "duty-over"
)

// A Command is what a person asks of the daemon through a channel. It is
// checked for form and token before anybody sees it.
type Command struct {
	ID      string `json:"id,omitempty"` // of the request, echoed in the reply
	Token   string `json:"token,omitempty"`
	Action  string `json:"action"` // acknowledge, shelve, unshelve, reset, out-of-service, in-service, duty, duty-over
	Alarm   string `json:"alarm,omitempty"`
	Subject string `json:"subject,omitempty"`
	Seq     uint64 `json:"seq,omitempty"` // the onset that was seen; 0 for whichever
	// Priority is how urgent the alarm was when it was seen; none for however.
	Priority string  `json:"priority,omitempty"`
	Notice   string  `json:"notice,omitempty"`
	Version  int     `json:"version,omitempty"` // of the notice that is answered; 0 for what was handed over so far
	Minutes  float64 `json:"minutes,omitempty"`
	// Until is when being out of service or on duty ends; Minutes is used where it is
	// zero.
	Until   time.Time `json:"until,omitzero"`
	OneShot bool      `json:"one_shot,omitempty"` // shelve for one active period
	// Empty says of what is taken out of service that nobody lives in it: without
	// that its lethal heat still wakes.
	Empty bool   `json:"empty,omitempty"`
	By    string `json:"by,omitempty"`
	Why   string `json:"why,omitempty"`
}

// Limits of a command.
const (
	MaxWord    = 200 // bytes of an id or a name
	maxWhy     = 1000
	maxMinutes = 366 * 24 * 60
)

// Check checks the fields of a command, whichever way it came, and what its action
// needs.
func (c *Command) Check() error {
	for _, s := range []string{c.ID, c.Alarm, c.Subject, c.Notice, c.By, c.Action} {
		if len(s) > MaxWord {
			return fmt.Errorf("a field is longer than %d bytes", MaxWord)
		}
	}
	if len(c.Why) > maxWhy {
		return fmt.Errorf("why is longer than %d bytes", maxWhy)
	}
	for _, s := range []string{c.Alarm, c.Subject, c.Notice, c.By, c.Why} {
		if !utf8.ValidString(s) || strings.ContainsFunc(s, unicode.IsControl) {
			return errors.New("a field holds control characters; write it on one line")
		}
	}
	if c.Version < 0 || c.Version > 0 && c.Notice == "" {
		return errors.New("version names a version of a notice, from 1; leave it out for what was told so far")
	}
	if math.IsNaN(c.Minutes) || c.Minutes < 0 || c.Minutes > maxMinutes {
		return fmt.Errorf("minutes must lie between 0 and %d", maxMinutes)
	}
	if _, err := c.Seen(); err != nil {
		return err
	}
	return c.checkAction()
}

// Seen is how urgent the alarm was when it was seen, nil for however.
func (c *Command) Seen() (*alarm.Priority, error) {
	if c.Priority == "" {
		return nil, nil
	}
	p := new(alarm.Priority)
	return p, p.UnmarshalText([]byte(c.Priority))
}

// A need is what an action needs, and what it may have.
type need struct{ notice, subject, end, until, empty bool }

func (c *Command) checkAction() error {
	needs, known := map[string]need{
		string(rules.Acknowledge): {notice: true}, string(rules.Reset): {notice: true}, string(rules.Unshelve): {subject: true}, string(rules.ReturnToService): {subject: true},
		string(rules.Shelve): {subject: true, end: true}, string(rules.TakeOut): {subject: true, end: true, until: true, empty: true},
		string(Duty): {subject: true, end: true, until: true}, string(DutyOver): {},
	}[c.Action]
	switch {
	case c.Notice != "" && c.Action != string(rules.Acknowledge):
		return fmt.Errorf("a notice can be acknowledged, not %q; name an alarm and a subject instead", c.Action)
	case !known:
		return fmt.Errorf("unknown action %q; use acknowledge, shelve, unshelve, reset, out-of-service, in-service, duty or duty-over", c.Action)
	case needs.notice && c.Notice == "" && c.Subject == "":
		return fmt.Errorf("%s needs a notice, or a subject with or without an alarm", c.Action)
	case needs.subject && c.Subject == "":
		return fmt.Errorf("%s needs a subject", c.Action)
	case c.Empty && !needs.empty:
		return errors.New("only out-of-service takes empty: it says that nobody lives in the enclosure")
	}
	return c.checkEnd(needs)
}

// checkEnd checks how long an action holds.
func (c *Command) checkEnd(needs need) error {
	switch {
	case !c.Until.IsZero() && !needs.until:
		return errors.New("only out-of-service and duty take an end date in until")
	case needs.end && c.Minutes == 0 && c.Until.IsZero():
		or := map[bool]string{true: ", or until with a date"}[needs.until]
		return fmt.Errorf("%s needs minutes%s: everything put away has an end, and so has a turn", c.Action, or)
	}
	return nil
}

// A Reply answers a Command.
type Reply struct {
	ID    string `json:"id,omitempty"`
	OK    bool   `json:"ok"`
	Error string `json:"error,omitempty"`
	// Note is what is to be known of what was done, such as that it is not kept.
	Note string `json:"note,omitempty"`
}

// A Note is one line that a keeper wrote about an enclosure, or about the room
// where Enclosure is empty, as it is kept.
type Note struct {
	At        sensors.Instant `json:"at"`
	Enclosure string          `json:"enclosure"`
	By        string          `json:"by"`
	Text      string          `json:"text"`
}
