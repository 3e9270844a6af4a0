package mqtt

import (
	"bytes"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/alert"
)

// Limits of a command.
const (
	maxCommand = 4096 // bytes
	maxWord    = 200  // bytes of an id or a name
	maxWhy     = 1000
	maxMinutes = 366 * 24 * 60
	answerTime = 10 * time.Second
)

// A request is a command that came, or what is wrong with it.
type request struct {
	command alert.Command
	refused string
	others  int // that were refused before and not told of
}

// Refused commands that are told of and answered at once, and then one in
// refusedEvery; so many may wait for that.
const (
	refusedAtOnce = 20
	refusedEvery  = 5 * time.Second
	refusedWait   = 8
)

// refusals thins what is told of refused commands: each word costs a line in the
// log and a message. It is safe for concurrent use.
type refusals struct {
	mu   sync.Mutex // guards what follows
	used int
	at   time.Time // when used last went down
	more int       // refused since the last word
}

// pass reports whether one more may be told of, and how many were not.
func (r *refusals) pass(now time.Time) (ok bool, others int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.used == 0 {
		r.at = now
	}
	n := int(now.Sub(r.at) / refusedEvery)
	r.used, r.at = max(r.used-n, 0), r.at.Add(time.Duration(n)*refusedEvery)
	if r.used >= refusedAtOnce {
		r.more++
		return false, 0
	}
	r.used++
	others, r.more = r.more, 0
	return true, others
}

// skip counts one that nobody is told of.
func (r *refusals) skip() {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.more++
}

// errRetained refuses what the broker had retained: it would come again at every
// connection, long after anybody meant it.
var errRetained = errors.New("retained commands are refused; send it without the retain flag")

func parseCommand(payload []byte) (s Signed, err error) {
	if len(payload) > maxCommand {
		return s, fmt.Errorf("command longer than %d bytes", maxCommand)
	}
	dec := json.NewDecoder(bytes.NewReader(payload))
	dec.DisallowUnknownFields() // a misspelt "subject" must not widen a command
	if err = dec.Decode(&s); err != nil {
		err = fmt.Errorf("command is not the JSON object expected: %w", err)
	} else if dec.More() {
		err = errors.New("command is followed by something else")
	} else if len(s.ID) > maxWord || len(s.By) > maxWord { // are echoed
		err = fmt.Errorf("a field is longer than %d bytes", maxWord)
	}
	return s, err
}

// sameToken compares in constant time, also where lengths differ; no token
// set means that none is right.
func sameToken(got, want string) bool {
	a, b := sha256.Sum256([]byte(got)), sha256.Sum256([]byte(want))
	return subtle.ConstantTimeCompare(a[:], b[:]) == 1 && want != ""
}

// trimmed cuts what is echoed down to size.
func trimmed(c alert.Command) alert.Command {
	for _, s := range []*string{&c.ID, &c.Alarm, &c.Subject, &c.Notice, &c.By, &c.Action} {
		if len(*s) > maxWord {
			*s = strings.ToValidUTF8((*s)[:maxWord], "")
		}
	}
	return c
}

// CheckCommand checks the fields of a command, whichever way it came, and what
// its action needs.
func CheckCommand(c alert.Command) error {
	for _, s := range []string{c.ID, c.Alarm, c.Subject, c.Notice, c.By, c.Action} {
		if len(s) > maxWord {
			return fmt.Errorf("a field is longer than %d bytes", maxWord)
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
	return checkAction(&c)
}

// A need is what an action needs, and what it may have.
type need struct{ notice, subject, end, until, empty bool }

func checkAction(c *alert.Command) error {
	needs, known := map[string]need{
		"acknowledge": {notice: true}, "reset": {notice: true}, "unshelve": {subject: true}, "in-service": {subject: true},
		"shelve": {subject: true, end: true}, "out-of-service": {subject: true, end: true, until: true, empty: true},
		string(alert.Duty): {subject: true, end: true, until: true}, string(alert.DutyOver): {},
	}[c.Action]
	switch {
	case !known:
		return fmt.Errorf("unknown action %q; use acknowledge, shelve, unshelve, reset, out-of-service, in-service, duty or duty-over", c.Action)
	case needs.notice && c.Notice == "" && c.Subject == "":
		return fmt.Errorf("%s needs a notice, or a subject with or without an alarm", c.Action)
	case needs.subject && c.Subject == "":
		return fmt.Errorf("%s needs a subject", c.Action)
	case !c.Until.IsZero() && !needs.until:
		return errors.New("only out-of-service and duty take an end date in until")
	case needs.end && c.Minutes == 0 && c.Until.IsZero():
		or := map[bool]string{true: ", or until with a date"}[needs.until]
		return fmt.Errorf("%s needs minutes%s: everything put away has an end, and so has a turn", c.Action, or)
	case c.Empty && !needs.empty:
		return errors.New("only out-of-service takes empty: it says that nobody lives in the enclosure")
	}
	return nil
}
