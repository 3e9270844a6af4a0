package daemon

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"dewline/configs"
	"dewline/rules/alarm"
	"dewline/sensors"
	"dewline/sensors/contact"
)

// A contactSource is a source that watches contacts on simulated lines beside its
// probes.
type contactSource struct {
	idleSource
	watch *contact.Watch
}

func (s *contactSource) Run(ctx context.Context, sink Sink) error {
	s.watch.Run(ctx, sink.Contact)
	return nil
}

// A level is a line that stays as it is.
type level bool

func (l level) Active() (bool, error) { return bool(l), nil }
func (level) Close() error            { return nil }

// The running daemon: mains that are away are an alarm, stand on the page, in the
// API and in the metrics, and a line that cannot be had is said not to be known.
func TestDaemon_Contacts(t *testing.T) {
	t.Parallel()
	cfg := demoConfig(t)
	cfg.Contacts = []configs.Contact{
		{ID: "mains", Is: configs.SenseMains, Chip: "x", Line: 1}, {ID: "float", Is: configs.SenseReservoir, Chip: "/dev/no-such-chip", Line: 2},
	}
	open := func(c configs.Contact) (contact.Line, error) {
		if c.ID == "float" {
			return openLine(c)
		}
		return level(false), nil
	}
	began := time.Now()
	d, err := New(Options{
		Config: cfg, Dir: t.TempDir(),
		Source: func(cfg *configs.Config, _ func() sensors.Instant, _ map[sensors.ProbeID]sensors.Ageing) (Source, error) {
			return &contactSource{watch: contact.New(cfg.Contacts, open, nil)}, nil
		},
		Clock: func(resume time.Duration) func() sensors.Instant {
			return func() sensors.Instant {
				run := time.Since(began) * 4
				return sensors.Instant{Mono: resume + run, Wall: began.Add(run), Synced: true}
			}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	var done sync.WaitGroup
	done.Go(func() {
		if err := d.Run(ctx); err != nil {
			t.Errorf("the daemon ended with %v", err)
		}
	})
	t.Cleanup(func() { cancel(); done.Wait() })
	h := d.site.Page(ctx)
	soon(t, "the alarm is raised", func() bool {
		if s := d.Snapshot(); s != nil {
			for _, a := range s.Alarms {
				if a.Key.Alarm == alarm.ContactMains && a.Active {
					return true
				}
			}
		}
		return false
	})
	page, api, metrics := get(h, "/"), get(h, "/api/v1/room"), get(h, "/metrics")
	for _, x := range []struct{ where, has string }{
		{page, "the mains are away, for "}, {page, "not known: watch line 2 of /dev/no-such-chip"},
		{api, `"id":"mains","is":"mains","known":true`}, {api, `"id":"float","is":"reservoir","known":false`},
		{metrics, `dewline_contact_active{contact="mains",is="mains"} 0`}, {metrics, `dewline_contact_known{contact="float",is="reservoir"} 0`},
	} {
		if !strings.Contains(x.where, x.has) {
			t.Errorf("%q is missing", x.has)
		}
	}
	if strings.Contains(metrics, `dewline_contact_active{contact="float"`) {
		t.Error("what is not known has a value")
	}
}
