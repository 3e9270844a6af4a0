package mqtt

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"dewline/alert"

	paho "github.com/eclipse/paho.mqtt.golang"
)

// Limits of a command.
const (
	maxCommand = 4096 // bytes
	maxWord    = 200  // bytes of an id or a name
	maxWhy     = 1000
	maxMinutes = 366 * 24 * 60
	answerTime = 10 * time.Second
)

// retainedCommand stands for a command that the broker had retained: it would
// come again at every connection, long after anybody meant it.
const retainedCommand = "\x00retained"

// receive takes a command off the library's goroutine.
func (c *Client) receive(_ paho.Client, m paho.Message) {
	payload := m.Payload()
	switch {
	case m.Retained():
		payload = []byte(retainedCommand)
	case len(payload) > maxCommand:
		payload = payload[:maxCommand+1] // enough to be refused
	}
	select {
	case c.commands <- bytes.Clone(payload):
	default:
		c.opt.Log.Warn("command dropped: too many at once")
	}
}

// answer works off commands until ctx ends.
func (c *Client) answer(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case payload := <-c.commands:
			reply, err := json.Marshal(c.reply(ctx, payload))
			if err != nil {
				continue // plain strings; cannot happen
			}
			if err := c.publish(ctx, "command/reply", false, reply); err != nil && ctx.Err() == nil {
				c.opt.Log.Warn("reply to a command not delivered", "err", err)
			}
		}
	}
}

// reply has one command carried out.
func (c *Client) reply(ctx context.Context, payload []byte) alert.Reply {
	cmd, err := parseCommand(payload, c.opt.Token)
	cmd.Token = ""
	if err != nil {
		c.opt.Log.Warn("command refused", "by", cmd.By, "action", cmd.Action, "err", err)
		if c.opt.OnRefused != nil {
			c.opt.OnRefused(cmd, err.Error())
		}
		return alert.Reply{ID: cmd.ID, Error: err.Error()}
	}
	if c.opt.OnCommand == nil {
		return alert.Reply{ID: cmd.ID, Error: "commands are not carried out here"}
	}
	ctx, cancel := context.WithTimeout(ctx, answerTime)
	defer cancel()
	r := c.opt.OnCommand(ctx, cmd)
	r.ID = cmd.ID
	return r
}

// errToken says that a command's token is wrong or missing.
var errToken = errors.New("token refused")

// parseCommand checks a command's form and token. On an error the Command
// holds what could be read, for the reply and the journal.
func parseCommand(payload []byte, token string) (alert.Command, error) {
	var cmd alert.Command
	switch {
	case string(payload) == retainedCommand:
		return cmd, errors.New("retained commands are refused; send it without the retain flag")
	case len(payload) > maxCommand:
		return cmd, fmt.Errorf("command longer than %d bytes", maxCommand)
	}
	dec := json.NewDecoder(bytes.NewReader(payload))
	dec.DisallowUnknownFields() // a misspelt "subject" must not widen a command
	if err := dec.Decode(&cmd); err != nil {
		return trimmed(cmd), fmt.Errorf("command is not the JSON object expected: %w", err)
	}
	if dec.More() {
		return trimmed(cmd), errors.New("command is followed by something else")
	}
	if len(cmd.ID) > maxWord || len(cmd.By) > maxWord { // are echoed
		return trimmed(cmd), fmt.Errorf("a field is longer than %d bytes", maxWord)
	}
	if !sameToken(cmd.Token, token) {
		return cmd, errToken
	}
	return trimmed(cmd), CheckCommand(cmd)
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

// checkAction checks what each action needs.
func checkAction(c *alert.Command) error {
	switch c.Action {
	case "acknowledge", "reset":
		if c.Notice == "" && c.Subject == "" {
			return fmt.Errorf("%s needs a notice, or a subject with or without an alarm", c.Action)
		}
	case "shelve":
		if c.Subject == "" {
			return errors.New("shelve needs a subject")
		}
		if c.Minutes == 0 {
			return errors.New("shelve needs minutes: everything put away has an end")
		}
	case "out-of-service":
		if c.Subject == "" {
			return errors.New("out-of-service needs a subject")
		}
		if c.Minutes == 0 && c.Until.IsZero() {
			return errors.New("out-of-service needs minutes, or until with a date: everything put away has an end")
		}
	case "unshelve", "in-service":
		if c.Subject == "" {
			return fmt.Errorf("%s needs a subject", c.Action)
		}
	default:
		return fmt.Errorf("unknown action %q; use acknowledge, shelve, unshelve, reset, out-of-service or in-service", c.Action)
	}
	if !c.Until.IsZero() && c.Action != "out-of-service" {
		return errors.New("only out-of-service takes an end date in until")
	}
	return nil
}
