package mqtt

import (
	"crypto/hmac"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/rules"
)

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
	room, token, tokenFor string
	keys                  map[string][]byte // by person
	now                   func() (t time.Time, set bool)
	began                 time.Time
	run                   string // begins the nonces of this start

	mu    sync.Mutex // guards what follows
	nonce string
	taken map[string]time.Time // commands, by what makes them one; when they came
}

func newDoor(o *Options) *door {
	d := &door{
		room: o.Room, token: o.Token, tokenFor: o.TokenFor, keys: o.Keys, now: o.Now, began: time.Now(),
		run: strings.ToLower(rand.Text()[:8]), taken: map[string]time.Time{},
	}
	d.renew()
	if d.tokenFor == "" {
		d.tokenFor = TokenAnswers
		if len(d.keys) > 0 {
			d.tokenFor = TokenNothing
		}
	}
	if d.now == nil {
		d.now = func() (time.Time, bool) { return time.Now(), true }
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
	if !sameToken(s.Token, d.token) {
		return errToken
	}
	if err := CheckCommand(s.Command); err != nil {
		return err
	}
	const do = "sign it with a command key, as dewline command does"
	switch {
	case d.tokenFor == TokenNothing:
		return fmt.Errorf("the token opens nothing any more: %s", do)
	case d.tokenFor == TokenAnswers && s.Action != string(rules.Acknowledge):
		return fmt.Errorf("the token may only acknowledge: %s, or for this version set token_commands = %q in [mqtt]", do, TokenAll)
	}
	return nil
}

func (d *door) signed(s *Signed) error {
	if err := CheckCommand(s.Command); err != nil { // before what is signed is put together
		return err
	}
	key := d.keys[s.By]
	if len(key) == 0 || !hmac.Equal([]byte(s.signature(d.room, key)), []byte(strings.ToLower(s.Signature))) {
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
	now, set := d.now()
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
