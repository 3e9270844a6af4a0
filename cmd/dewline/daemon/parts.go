package daemon

import (
	"context"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/web"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// A Daemon watches one room. Each of its parts owns its state and its goroutines.
type Daemon struct {
	*base
	*summaries           // of each week
	record     *record   // the store and what writes to it
	probes     *probes   // the source that reads
	loop       *loop     // decides
	certs      certBook  // that others showed
	site       *web.Site // page, API and control socket
	front      front     // where the page is served
	reloads    chan struct{}
}

// Reload asks for the configuration to be read again. It returns at once.
func (d *Daemon) Reload() {
	select {
	case d.reloads <- struct{}{}:
	default:
	}
}

// Snapshot returns what is known now; nil before the first round.
func (d *Daemon) Snapshot() *alert.Snapshot { return d.loop.snapshot.Load() }

// Latest returns the newest reading of a probe, of any quality and with its raw
// sample.
func (d *Daemon) Latest(probe sensors.ProbeID) (sensors.Reading, bool) {
	d.loop.latestMu.Lock()
	defer d.loop.latestMu.Unlock()
	r, ok := d.loop.latest[probe]
	return r, ok
}

// Lively reports whether a round of readings and rules ended lately.
func (d *Daemon) Lively(now time.Time) bool { return d.loop.Lively(now) }

// Store returns the record; nil while none is open.
func (d *Daemon) Store() *store.Store { return d.record.Store() }

// WhatIf says what every enclosure would come to under an assumption.
func (d *Daemon) WhatIf(ctx context.Context, a rules.Assumption) (answer []rules.Prospect, err error) {
	err = d.loop.call(ctx, func(sensors.Instant) error { answer = d.loop.core.WhatIf(a); return nil })
	return answer, err
}

// Readings returns how many readings the rules have seen.
func (d *Daemon) Readings() uint64 { return d.loop.readings.Load() }
