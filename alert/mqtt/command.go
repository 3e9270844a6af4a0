package mqtt

import (
	"bytes"
	"cmp"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/rules"
)

// Limits of a command.
const (
	maxCommand = 4096 // bytes
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
	} else if len(s.ID) > alert.MaxWord || len(s.By) > alert.MaxWord { // are echoed
		err = fmt.Errorf("a field is longer than %d bytes", alert.MaxWord)
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
		if len(*s) > alert.MaxWord {
			*s = strings.ToValidUTF8((*s)[:alert.MaxWord], "")
		}
	}
	return c
}

// What the token in a command may do.
const (
	TokenAnswers = "answer" // answer alarms
	TokenAll     = "all"
	TokenNothing = "none"
)

// Limits of commands that are taken.
const (
	commandWithin = 2 * time.Minute // by which a command's time may be off
	mostTaken     = 1024            // commands that are remembered
)

// A door lets commands in: those that a person signed, each once, and for this
// version those with the token, as far as it may. It is safe for concurrent use.
type door struct {
	opt   Options
	began time.Time
	run   string // begins the nonces of this start

	mu    sync.Mutex // guards what follows
	nonce string
	taken map[string]time.Time // commands, by what makes them one; when they came
}

func newDoor(o *Options) *door {
	d := &door{opt: *o, began: time.Now(), run: strings.ToLower(rand.Text()[:8]), taken: map[string]time.Time{}}
	d.renew()
	d.opt.TokenFor = cmp.Or(o.TokenFor, TokenAnswers)
	if o.Now == nil {
		d.opt.Now = func() (time.Time, bool) { return time.Now(), true }
	}
	return d
}

// present is the nonce that may be used now, once.
func (d *door) present() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.nonce
}

func (d *door) renew() { d.nonce = d.run + rand.Text() }

// admit checks form and sender of what came. On an error the Command holds what
// could be read, cut down to be echoed.
func (d *door) admit(payload []byte) (alert.Command, error) {
	s, err := parseCommand(payload)
	if err == nil && s.Signature == "" {
		err = d.byToken(&s)
	} else if err == nil {
		err = d.signed(&s)
	}
	if s.Command.Token = ""; err != nil {
		s.Command = trimmed(s.Command)
	}
	return s.Command, err
}

var (
	errToken     = errors.New("token refused")
	errSignature = errors.New("signature refused: no key of that person made it for this room and these fields")
	errTaken     = errors.New("this command was taken already")
)

func (d *door) byToken(s *Signed) error {
	if !sameToken(s.Token, d.opt.Token) {
		return errToken
	}
	if err := s.Command.Check(); err != nil {
		return err
	}
	const do = "sign it with a command key, as dewline command does"
	switch {
	case d.opt.TokenFor == TokenNothing:
		return fmt.Errorf("the token opens nothing any more: %s", do)
	case d.opt.TokenFor == TokenAnswers && s.Action != string(rules.Acknowledge):
		return fmt.Errorf("the token may only acknowledge: %s, or for this version set token_commands = %q in [mqtt]", do, TokenAll)
	}
	return nil
}

func (d *door) signed(s *Signed) error {
	if err := s.Command.Check(); err != nil { // before what is signed is put together
		return err
	}
	key := d.opt.Keys[s.By]
	if len(key) == 0 || !hmac.Equal([]byte(s.signature(d.opt.Room, key)), []byte(strings.ToLower(s.Signature))) {
		return errSignature
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch answer := s.Action == string(rules.Acknowledge) && s.Notice != "" && s.Version > 0; {
	case answer: // covers what that version named, whenever it comes
		return d.take(s.Signature)
	case s.Nonce != "":
		if s.Nonce != d.nonce {
			return errors.New("the nonce was used or is of an earlier start: sign with the one that status/board shows now")
		}
		d.renew()
		return nil
	case s.ID == "" || s.Time.IsZero():
		return errors.New("what changes something needs an id and the time; only the answer to a version of a notice needs none")
	}
	if err := d.timely(s.Time); err != nil {
		return err
	}
	return d.take(s.By + "\n" + s.ID)
}

// timely refuses a command that is old, or that came before this start and may
// have been taken then.
func (d *door) timely(at time.Time) error {
	now, set := d.opt.Now()
	off := now.Sub(at)
	switch {
	case !set:
		return errors.New("the board's clock is not set: sign with the nonce that status/board shows")
	case off.Abs() > commandWithin:
		return fmt.Errorf("the command's time is off by %s, more than %s: sign it anew, and look at the clocks", off.Abs().Round(time.Second), commandWithin)
	case off > time.Since(d.began)+time.Second:
		return errors.New("the command is older than dewline's start and may have been taken then: sign it anew")
	}
	return nil
}

// take notes that a command was taken; the oldest is forgotten first, which has
// long been too old, or is an answer that does nothing new.
func (d *door) take(what string) error {
	if _, ok := d.taken[what]; ok {
		return errTaken
	}
	now := time.Now()
	if len(d.taken) >= mostTaken {
		maps.DeleteFunc(d.taken, func(_ string, at time.Time) bool { return now.Sub(at) > 2*commandWithin })
	}
	if len(d.taken) >= mostTaken {
		delete(d.taken, slices.MinFunc(slices.Collect(maps.Keys(d.taken)), func(a, b string) int { return d.taken[a].Compare(d.taken[b]) }))
	}
	d.taken[what] = now
	return nil
}

// KeyAtLeast is the fewest bytes of a command key: shorter ones can be guessed.
const KeyAtLeast = 16

// Sign signs s for a room with a person's command key: HMAC-SHA256 (RFC 2104)
// over Text, in hexadecimal.
func (s *Signed) Sign(room string, key []byte) { s.Signature = s.signature(room, key) }

func (s *Signed) signature(room string, key []byte) string {
	mac := hmac.New(sha256.New, key)
	mac.Write([]byte(s.Text(room)))
	return hex.EncodeToString(mac.Sum(nil))
}

// Text is what is signed: a line for each field that is not empty, its name, a
// space, its value, in this order. Times are in UTC with whole seconds; numbers
// are decimal without needless zeros. No value holds a line break.
func (s *Signed) Text(room string) string {
	when := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.UTC().Format(time.RFC3339)
	}
	number := func(n float64) string {
		if n == 0 {
			return ""
		}
		return strconv.FormatFloat(n, 'f', -1, 64)
	}
	truth := func(b bool) string {
		if b {
			return "true"
		}
		return ""
	}
	seq := ""
	if s.Seq != 0 {
		seq = strconv.FormatUint(s.Seq, 10)
	}
	var b strings.Builder
	for _, f := range [][2]string{
		{"room", room}, {"id", s.ID}, {"time", when(s.Time)}, {"nonce", s.Nonce}, {"action", s.Action}, {"alarm", s.Alarm},
		{"subject", s.Subject}, {"seq", seq}, {"priority", s.Priority}, {"notice", s.Notice}, {"version", number(float64(s.Version))},
		{"minutes", number(s.Minutes)}, {"until", when(s.Until)}, {"one_shot", truth(s.OneShot)}, {"empty", truth(s.Empty)}, {"by", s.By}, {"why", s.Why},
	} {
		if f[1] != "" {
			fmt.Fprintf(&b, "%s %s\n", f[0], f[1])
		}
	}
	return b.String()
}

// A Signed is a command with what proves who sends it, and when. Its JSON is what
// stands on the command topic.
type Signed struct {
	alert.Command
	Time      time.Time `json:"time,omitzero"` // of the sending
	Nonce     string    `json:"nonce,omitempty"`
	Signature string    `json:"signature,omitempty"`
}
