package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"dewline/rules/event"
	"dewline/sensors"
	"dewline/store"
)

// A fakeLedger is a store whose disk can be told to fail or hang.
type fakeLedger struct {
	mu      sync.Mutex
	err     error
	hang    chan struct{}
	docs    map[string]string
	journal []string
	flushes int
}

func newFakeLedger() *fakeLedger { return &fakeLedger{docs: map[string]string{}} }

func (f *fakeLedger) Append(sensors.Reading) {}

func (f *fakeLedger) Commit(c store.Commit) error {
	f.mu.Lock()
	hang := f.hang
	f.mu.Unlock()
	if hang != nil {
		<-hang
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.err != nil {
		return f.err
	}
	for _, d := range c.Docs {
		if d.Value == nil {
			delete(f.docs, d.Key)
		} else {
			f.docs[d.Key] = string(d.Value)
		}
	}
	for _, e := range c.Journal {
		f.journal = append(f.journal, e.Kind())
	}
	return nil
}

func (f *fakeLedger) Write(_ context.Context, c store.Commit) error {
	f.mu.Lock()
	f.flushes++
	f.mu.Unlock()
	return f.Commit(c)
}

func (f *fakeLedger) setErr(err error) {
	f.mu.Lock()
	f.err = err
	f.mu.Unlock()
}

// startRecorder runs a recorder in the test's bubble; stop ends it.
func startRecorder(t *testing.T, l ledger) (r *recorder, health *[]bool, stop func()) {
	t.Helper()
	var seen []bool
	r = newRecorder(l, slog.New(slog.DiscardHandler), func() { seen = append(seen, r.fault() == nil) })
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { r.Run(ctx) })
	return r, &seen, func() { cancel(); wg.Wait() }
}

func doc(key, value string) store.Doc {
	d := store.Doc{Bucket: store.BucketAlarms, Key: key}
	if value != "" {
		d.Value = []byte(value)
	}
	return d
}

func TestRecorderWritesAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newFakeLedger()
		r, _, stop := startRecorder(t, l)
		defer stop()
		<-r.Put([]store.Doc{doc("a", "1")}, []event.Event{{Body: event.Other{Word: "alarm"}}})
		if l.docs["a"] != "1" || len(l.journal) != 1 {
			t.Errorf("docs %v, journal %v; want a=1 and one line", l.docs, l.journal)
		}
	})
}

func TestRecorderKeepsWhatTheDiskRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newFakeLedger()
		r, health, stop := startRecorder(t, l)
		defer stop()
		l.setErr(errors.New("no space left on device"))
		first := r.Put([]store.Doc{doc("a", "old"), doc("gone", "x")}, []event.Event{{Body: event.Other{Word: "one"}}})
		synctest.Wait()
		second := r.Put([]store.Doc{doc("a", "new"), doc("gone", "")}, []event.Event{{Body: event.Other{Word: "two"}}})
		synctest.Wait()
		if len(l.docs) != 0 {
			t.Fatalf("a failing disk holds %v", l.docs)
		}
		l.setErr(nil)
		<-first
		<-second
		synctest.Wait() // until health was told as well
		if got := l.docs["a"]; got != "new" {
			t.Errorf("a = %q after the disk came back, want the newest version", got)
		}
		if _, there := l.docs["gone"]; there {
			t.Error("a deleted document came back with the retry")
		}
		if fmt.Sprint(l.journal) != "[one two]" {
			t.Errorf("journal %v, want [one two] once each and in order", l.journal)
		}
		if fmt.Sprint(*health) != "[false true]" {
			t.Errorf("health told %v, want it told once that it failed and once that it works", *health)
		}
	})
}

func TestRecorderDoesNotRepeatTheJournalWhenOnlyTheFlushFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &flushFails{fakeLedger: newFakeLedger(), failures: 3}
		r, _, stop := startRecorder(t, l)
		r.Put(nil, []event.Event{{Body: event.Other{Word: "once"}}})
		r.ForceFlush(func() ([]byte, error) { return []byte("{}"), nil })
		time.Sleep(time.Minute) // virtual
		stop()
		if fmt.Sprint(l.journal) != "[once]" {
			t.Errorf("journal %v, want [once]", l.journal)
		}
		if string(l.state) != "{}" {
			t.Errorf("the state was not written again after the failures: %q", l.state)
		}
	})
}

type flushFails struct {
	*fakeLedger
	failures int
	state    []byte
}

func (f *flushFails) Write(ctx context.Context, c store.Commit) error {
	if f.failures > 0 {
		f.failures--
		return errors.New("EIO")
	}
	f.state = c.State
	return f.fakeLedger.Write(ctx, c)
}

func TestRecorderBoundsItsBacklog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newFakeLedger()
		l.setErr(errors.New("read-only file system"))
		r, _, stop := startRecorder(t, l)
		defer stop()
		for i := range maxJournalBacklog + 500 {
			r.Put([]store.Doc{doc("same", fmt.Sprint(i))}, []event.Event{{Body: event.Other{Word: fmt.Sprint(i)}}})
		}
		synctest.Wait()
		r.mu.Lock()
		lines, docs, waiters := len(r.journal), len(r.docs), len(r.waiters)
		last := r.journal[lines-1].Kind()
		r.mu.Unlock()
		if lines > maxJournalBacklog || docs != 1 {
			t.Errorf("%d lines and %d documents wait, want at most %d and 1", lines, docs, maxJournalBacklog)
		}
		if waiters > maxWaiters {
			t.Errorf("%d wait for a record that cannot be written", waiters)
		}
		if want := fmt.Sprint(maxJournalBacklog + 499); last != want {
			t.Errorf("the newest line is %s, want %s: the oldest go first", last, want)
		}
		l.setErr(nil)
	})
}

func TestRecorderNoticesAHangingDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newFakeLedger()
		l.hang = make(chan struct{})
		r, _, stop := startRecorder(t, l)
		defer stop()
		r.Put([]store.Doc{doc("a", "1")}, nil)
		synctest.Wait()
		if r.Stuck(time.Now()) {
			t.Error("stuck at once")
		}
		time.Sleep(slowCommit + time.Second) // virtual
		if !r.Stuck(time.Now()) {
			t.Errorf("not stuck after %s", slowCommit)
		}
		if r.Flush(func() ([]byte, error) { return []byte("x"), nil }) {
			t.Error("a flush was accepted beside a write that hangs")
		}
		// Putting more must not wait for the disk.
		r.Put([]store.Doc{doc("b", "2")}, nil)
		close(l.hang)
	})
}

func TestRecorderGetsItsStoreLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r, _, stop := startRecorder(t, nil)
		defer stop()
		done := r.Put([]store.Doc{doc("a", "1")}, nil)
		synctest.Wait()
		l := newFakeLedger()
		r.Attach(l)
		<-done
		if l.docs["a"] != "1" {
			t.Errorf("the late store holds %v", l.docs)
		}
	})
}

// What may wait goes with the next transaction, in its place, and with the last one.
func TestRecorderLetsFactsWait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := newFakeLedger()
		r, _, stop := startRecorder(t, l)
		kinds := func() string {
			synctest.Wait()
			l.mu.Lock()
			defer l.mu.Unlock()
			return strings.Join(l.journal, " ")
		}
		r.Later([]event.Event{{Body: event.Mist{}}})
		if got := kinds(); got != "" {
			t.Errorf("%q was written at once", got)
		}
		<-r.Put(nil, []event.Event{{Body: event.Alarm{}}})
		r.Later([]event.Event{{Body: event.Night{}}})
		if got := kinds(); got != "mist alarm" {
			t.Errorf("written %q", got)
		}
		stop()
		if got := kinds(); got != "mist alarm night" {
			t.Errorf("at the end %q", got)
		}
	})
}
