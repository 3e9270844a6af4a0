// Package web is what a room shows and takes over HTTP: the page, the metrics,
// the health check, the API and the control socket, and who may use them.
package web

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"dewline/alert"
	"dewline/alert/summary"
	"dewline/alert/wire"
	"dewline/configs"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// ErrNoRecord says that what was asked for is on record, which is not open.
var ErrNoRecord = errors.New("the record is not open")

// A Room is what is looked at. It is one interface since every page and every
// route looks at the same few things.
type Room interface {
	Config() *configs.Config
	Now() sensors.Instant
	// Snapshot is what is known now; nil before the first round.
	Snapshot() *alert.Snapshot
	// Store is the record; nil while none is open.
	Store() *store.Store
	// Latest is the newest reading of a probe, raw sample included.
	Latest(probe sensors.ProbeID) (sensors.Reading, bool)
	// Lively reports whether a round of readings and rules ended lately.
	Lively(now time.Time) bool
	// Summary makes the report of a week such as "2026-W47", empty for the last
	// whole one; ErrNoRecord without a record.
	Summary(ctx context.Context, week string) (*summary.Report, error)
	WhatIf(ctx context.Context, a rules.Assumption) ([]rules.Prospect, error)
}

// Hands carry out what is asked. Form and token were checked before.
type Hands interface {
	Command(ctx context.Context, c alert.Command) alert.Reply
	// Refuse notes what was refused, and why.
	Refuse(ctx context.Context, c alert.Command, why string)
	Drill(ctx context.Context, person, by string) (id string, err error)
	AddNote(ctx context.Context, enclosure, by, text string) error
	Calibrate(ctx context.Context, c sensors.Correction) error
	SendSummary(ctx context.Context, week, by string) (sent int, key string, err error)
	Reload()
}

// Options are what a Site is built from.
type Options struct {
	Room  Room
	Hands Hands
	// Secret reads a secret that the configuration names; an empty name is none.
	Secret func(name string) (string, error)
	// Dir keeps the key of links, and a copy of the record while it is sent.
	Dir string
	// ControlPath is the local control socket; empty for none.
	ControlPath string
	Log         *slog.Logger
}

// A Site serves one room. Start is called once.
type Site struct {
	o     Options
	room  Room
	hands Hands
	log   *slog.Logger
	links *links
	addr  atomic.Pointer[string]
}

// New returns a Site that serves nothing yet.
func New(o Options) *Site {
	return &Site{o: o, room: o.Room, hands: o.Hands, log: o.Log, links: newLinks()}
}

// KeepLinks has the links in notices survive a restart.
func (s *Site) KeepLinks() error { return s.links.keepIn(s.o.Dir) }

// links signs the addresses that a notice carries for being answered. The key
// is kept beside the record, so that a link survives a restart; where it
// cannot be kept, links made before a restart are refused.
type links struct{ key []byte }

const linkKeyFile = "link.key"

func newLinks() *links {
	key := make([]byte, 32)
	_, _ = rand.Read(key) // never fails, crypto/rand
	return &links{key: key}
}

// keepIn uses the key kept in dir, or keeps the present one there.
func (l *links) keepIn(dir string) error {
	file := filepath.Join(dir, linkKeyFile)
	if b, err := os.ReadFile(file); err == nil && len(b) == len(l.key) {
		l.key = b
		return nil
	}
	return os.WriteFile(file, l.key, 0o600)
}

// token is the version and a signature over both.
func (l *links) token(noticeID string, version int) string {
	v := strconv.Itoa(version)
	return v + "." + l.sign(v+"\n"+noticeID)
}

func (l *links) sign(text string) string {
	mac := hmac.New(sha256.New, l.key)
	mac.Write([]byte(text))
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil)[:16])
}

// check reports whether token belongs to the notice, and the version that it
// was made for. Links made before they carried a version stand for the first.
func (l *links) check(noticeID, token string) (version int, ok bool) {
	v, _, versioned := strings.Cut(token, ".")
	if !versioned {
		return 1, hmac.Equal([]byte(l.sign(noticeID)), []byte(token))
	}
	version, err := strconv.Atoi(v)
	if err != nil || version < 1 || !hmac.Equal([]byte(l.token(noticeID, version)), []byte(token)) {
		return 0, false
	}
	return version, true
}

func writeJSON(w http.ResponseWriter, code int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "cannot encode the answer: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = w.Write(append(b, '\n'))
}

// writeError answers in one JSON form: {"error": "…"}.
func writeError(w http.ResponseWriter, code int, err error) {
	writeJSON(w, code, wire.Reply{Error: err.Error()})
}

func decodeBody(r *http.Request, v any) error {
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return fmt.Errorf("the body is not what is expected here: %s", misread(err))
	}
	if dec.More() {
		return errors.New("the body holds more than one JSON value")
	}
	return nil
}

// misread says what is wrong with a body in the words of who wrote it.
func misread(err error) string {
	kind, size := (*json.UnmarshalTypeError)(nil), (*http.MaxBytesError)(nil)
	switch {
	case errors.As(err, &size):
		return fmt.Sprintf("it is longer than %d bytes", size.Limit)
	case errors.As(err, &kind) && kind.Field == "":
		return "write one JSON object"
	case errors.As(err, &kind):
		return fmt.Sprintf("%s cannot be a JSON %s", kind.Field, kind.Value)
	case errors.Is(err, io.EOF):
		return "it is empty; write one JSON object"
	case errors.Is(err, io.ErrUnexpectedEOF):
		return "its JSON object does not end"
	}
	return strings.TrimPrefix(err.Error(), "json: ")
}

// posted takes a body, does what it asks for, and answers what came of that.
func posted[T any](do func(context.Context, T) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var body T
		if err := decodeBody(r, &body); err != nil {
			writeError(w, http.StatusBadRequest, err)
			return
		}
		answer, err := do(r.Context(), body)
		if err != nil {
			writeError(w, http.StatusConflict, err)
			return
		}
		writeJSON(w, http.StatusOK, answer)
	}
}
