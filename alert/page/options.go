package page

import (
	"context"
	"iter"
	"log/slog"
	"net/http"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/configs"
	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// Record is the record as far as pages read it; *store.Store is one.
type Record interface {
	Readings(ctx context.Context, probe sensors.ProbeID, from, to time.Time) iter.Seq2[sensors.Reading, error]
	Rollups(ctx context.Context, probe sensors.ProbeID, level store.Level, from, to time.Time) iter.Seq2[store.Rollup, error]
	// JournalSince yields the events from a running time on.
	JournalSince(mono time.Duration) iter.Seq2[event.Event, error]
}

// Notebook keeps the keepers' notes.
type Notebook interface {
	// Notes returns those of one enclosure within [from, to), oldest first.
	Notes(enclosure string, from, to time.Time) ([]wire.Note, error)
	AddNote(ctx context.Context, enclosure, by, text string) error
}

// MostNote is how many characters a note may have.
const MostNote = 500

// Options are what the pages are made from. All are needed.
type Options struct {
	Snapshot func() *alert.Snapshot // nil before the first round
	Config   func() *configs.Config
	Record   func() Record // nil while the record is not open
	Notebook Notebook
	Command  func(ctx context.Context, c alert.Command) alert.Reply
	// Link reports whether token belongs to the link of a notice, and to which
	// version of it.
	Link func(noticeID, token string) (version int, ok bool)
	// Refused is told of refused logins and links, for the journal. It is
	// called at most as often as tries are let through.
	Refused func(ctx context.Context, what, from string)
	// Tokens are what a login asks for; none refuses every login.
	Tokens Tokens
	// MayRead reports whether a request may look without a session.
	MayRead func(r *http.Request) bool
	// Summary serves the weekly summary.
	Summary http.Handler
	// Stop ends streams when the server is about to stop.
	Stop <-chan struct{}
	Log  *slog.Logger
}
