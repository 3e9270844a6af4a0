package daemon

import (
	"maps"
	"sync"
	"time"

	"dewline/sensors"
)

// A redo is the past of one probe whose sums do not follow a calibration yet. It
// is on record beside the calibration until they do, so that neither a restart
// nor a card that fails in the middle leaves half of them behind.
type redo struct {
	From  time.Time `json:"from"`
	Until time.Time `json:"until"` // from then on the readings themselves follow
}

// redoPrefix, with the probe's id behind it, is the key of a redo on record.
const redoPrefix = "redo/"

type redoBook struct {
	mu   sync.Mutex // guards due
	due  map[sensors.ProbeID]redo
	wake chan struct{}
}

func newRedoBook() *redoBook {
	return &redoBook{due: map[sensors.ProbeID]redo{}, wake: make(chan struct{}, 1)}
}

// add joins a redo to what is due for its probe already, and returns that.
func (b *redoBook) add(probe sensors.ProbeID, r redo) redo {
	b.mu.Lock()
	defer b.mu.Unlock()
	if old, ok := b.due[probe]; ok {
		if old.From.Before(r.From) {
			r.From = old.From
		}
		if old.Until.After(r.Until) {
			r.Until = old.Until
		}
	}
	b.due[probe] = r
	return r
}

// done takes a redo out, unless another calibration came meanwhile, and calls forget
// before one can come: forget must not hit the document of that.
func (b *redoBook) done(probe sensors.ProbeID, r redo, forget func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.due[probe] == r {
		delete(b.due, probe)
		forget()
	}
}

func (b *redoBook) all() map[sensors.ProbeID]redo {
	b.mu.Lock()
	defer b.mu.Unlock()
	return maps.Clone(b.due)
}

func (b *redoBook) nudge() {
	select {
	case b.wake <- struct{}{}:
	default:
	}
}
