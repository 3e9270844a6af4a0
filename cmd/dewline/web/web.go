// Package web is what a room shows and takes over HTTP: the page, the metrics,
// the health check, the API and the control socket, and who may use them.
package web

import (
	"context"
	"errors"
	"log/slog"
	"sync/atomic"
	"time"

	"dewline/alert"
	"dewline/alert/summary"
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
