package daemon

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/alert"
	"dewline/cmd/dewline/core"
	"dewline/sensors"
)

// What a person asked for is done though the card fails, and the answer says that
// it is not kept; once the card takes it again, it says nothing of the kind.
func TestAnswerSaysWhetherItIsKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		card := newFakeLedger()
		card.err = errors.New("no space left on device")
		d := newTestDaemon(t, t.TempDir())
		d.loop.core = core.New(d.cfg.Load(), nil)
		d.now = func() sensors.Instant { return at(time.Hour, true) }
		d.loop.channels = &channels{}
		d.record.rec = newRecorder(card, d.log, nil)
		ctx, cancel := context.WithCancel(t.Context())
		var done sync.WaitGroup
		done.Go(func() { d.record.rec.Run(ctx) })
		done.Go(func() {
			for {
				select {
				case do := <-d.loop.inbox:
					do(d.loop.now())
				case <-ctx.Done():
					return
				}
			}
		})
		defer done.Wait()
		defer cancel()
		cmd := alert.Command{Action: "out-of-service", Subject: d.cfg.Load().Enclosures[0].ID, Minutes: 60, By: "una"}
		if r := d.Command(t.Context(), cmd); !r.OK || r.Note == "" {
			t.Errorf("while the card fails: %+v, want that it is done and not kept", r)
		}
		card.mu.Lock()
		card.err = nil
		card.mu.Unlock()
		time.Sleep(time.Minute) // of the bubble: the recorder tries again
		cmd.Action, cmd.Minutes = "in-service", 0
		if r := d.Command(t.Context(), cmd); !r.OK || r.Note != "" {
			t.Errorf("with a card that works: %+v", r)
		}
	})
}
