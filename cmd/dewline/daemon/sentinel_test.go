package daemon

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/alert"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// A sentinel that cannot watch ends with the reason, not as if somebody had
// stopped it.
func TestRunSentinel_CannotWatch(t *testing.T) {
	cfg, err := table.Decode("s", []byte("[sentinel]\nrooms = [\"den\"]\n[mqtt]\nbroker = \"tcp://127.0.0.1:1\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	cfg.MQTT.Broker = "" // past the checks
	o := SentinelOptions{Config: cfg, Dir: t.TempDir(), Log: slog.New(slog.DiscardHandler)}
	if err := RunSentinel(t.Context(), o); err == nil || !strings.Contains(err.Error(), "watch the rooms") {
		t.Errorf("got %v", err)
	}
	cfg.MQTT.Broker = "tcp://127.0.0.1:1" // nobody answers there
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- RunSentinel(ctx, o) }()
	stop()
	if err := <-ended; err != nil {
		t.Errorf("stopped: %v", err)
	}
}

// A sentinel without its password goes on, so that its other channels tell that
// it watches nothing.
func TestRunSentinel_WithoutItsSecret(t *testing.T) {
	cfg, err := table.Decode("s", []byte("[sentinel]\nrooms = [\"den\"]\n[mqtt]\nbroker = \"tcp://127.0.0.1:1\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	cfg.MQTT.PasswordFile = filepath.Join(t.TempDir(), "missing")
	log := &lockedBuffer{}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- RunSentinel(ctx, SentinelOptions{Config: cfg, Dir: t.TempDir(), Log: slog.New(slog.NewTextHandler(log, nil))})
	}()
	soon(t, "the log says what is missing", func() bool {
		return strings.Contains(log.String(), "a channel cannot work") && strings.Contains(log.String(), "there is no file")
	})
	stop()
	if err := <-ended; err != nil {
		t.Errorf("it ended by itself: %v", err)
	}
}

// A card that hangs or fails holds no message of a sentinel back for more than the first
// few seconds.
func TestSentry_SendsWithoutItsCard(t *testing.T) {
	for _, hangs := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			box, log, card := &mailbox{}, slog.New(slog.DiscardHandler), newFakeLedger()
			if card.err = errors.New("no space left"); hangs {
				card.hang = make(chan struct{})
			}
			s := &Sentry{
				rec:     newRecorder(card, log, nil),
				courier: alert.NewCourier(map[string]alert.Channel{"mqtt": box}, 0, func(alert.SendResult) {}, log),
			}
			stop := running(t.Context(), func(ctx context.Context, done *sync.WaitGroup) {
				done.Go(func() { s.rec.Run(ctx) })
				done.Go(func() { s.courier.Run(ctx) })
			})
			began := time.Now()
			for _, id := range []string{"a", "b", "c"} {
				s.apply(alert.Effects{
					Docs: []store.Doc{{Bucket: store.BucketOutbox, Key: id, Value: []byte("1")}},
					Send: []alert.Delivery{{ID: id, Channel: "mqtt", Priority: alarm.Wake, Message: alert.Message{ID: id, Priority: alarm.Wake}}},
				})
				time.Sleep(time.Second) // virtual
			}
			if got, when := box.of(alarm.Wake); len(got) != 3 || when[2].Sub(began) > recordWait+3*time.Second {
				t.Errorf("sent %d, at %v, want 3 soon after %v", len(got), when, began)
			}
			if hangs {
				close(card.hang)
			}
			stop()
		})
	}
}

// What a sentinel told is there for its next run, and what it took back is not.
func TestMemory_ofTheNextRun(t *testing.T) {
	now := func() sensors.Instant { return at(time.Hour, true) }
	m := &toldFile{path: filepath.Join(t.TempDir(), sentinelFile), now: now}
	if docs, err := m.load(); err != nil || len(docs) != 0 {
		t.Fatalf("a new one holds %v, %v", docs, err)
	}
	for _, c := range []store.Commit{
		{Docs: []store.Doc{{Key: "a", Value: []byte("1")}, {Key: "b", Value: []byte("2")}}}, {Docs: []store.Doc{{Key: "a"}}},
	} {
		if err := m.Commit(c); err != nil {
			t.Fatal(err)
		}
	}
	next := &toldFile{path: m.path, now: now}
	if docs, err := next.load(); err != nil || len(docs) != 1 || docs[0].Key != "b" || next.kept.Mono != time.Hour {
		t.Errorf("%v at %v, %v", docs, next.kept.Mono, err)
	}
	if err := os.WriteFile(m.path, []byte(`{"mono":12,"docs":{"n`), 0o600); err != nil {
		t.Fatal(err)
	}
	if docs, err := next.load(); err == nil || len(docs) != 0 || next.kept.Mono != 0 {
		t.Errorf("of a damaged one: %v at %v, %v", docs, next.kept.Mono, err)
	}
}
