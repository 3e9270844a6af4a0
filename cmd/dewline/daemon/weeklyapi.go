package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/mail"
	"dewline/alert/summary"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/store"
)

// summaryFresh is for how long a report is shown again without being made
// anew.
const summaryFresh = time.Minute

// A summaryShelf holds the report made last and lets only one be made at a
// time: a small board has better things to do.
type summaryShelf struct {
	mu   sync.Mutex // guards what follows, and is held while a report is made
	last *summary.Report
	cfg  *configs.Config
	at   time.Time // by the process's clock
}

// Summary returns the report of a week such as "2026-W47"; empty is the last
// whole one.
func (d *Daemon) Summary(ctx context.Context, week string) (*summary.Report, error) {
	cfg, now := d.cfg.Load(), d.now()
	w := summary.WeekOf(now.Wall, cfg.Room.Location).Prev()
	if week != "" {
		var err error
		if w, err = summary.ParseWeek(week, cfg.Room.Location); err != nil {
			return nil, err
		}
	}
	return d.summaryOf(ctx, cfg, w, now.Wall)
}

func (d *Daemon) summaryOf(ctx context.Context, cfg *configs.Config, w summary.Week, now time.Time) (*summary.Report, error) {
	st := d.Store()
	if st == nil {
		return nil, web.ErrNoRecord
	}
	s := &d.shelf
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.last != nil && s.cfg == cfg && s.last.Week == w.String() && time.Since(s.at) < summaryFresh {
		return s.last, nil
	}
	r, err := summary.Build(ctx, st, cfg, w, now)
	if err != nil {
		return nil, err
	}
	s.last, s.cfg, s.at = r, cfg, time.Now()
	return r, nil
}

// runWeekly sends the weekly summaries until ctx ends.
func (d *Daemon) runWeekly(ctx context.Context) {
	w := &weekly{
		cfg: d.cfg.Load, now: d.now, log: d.log,
		load: func(key string) ([]byte, error) {
			st := d.Store()
			if st == nil {
				return nil, web.ErrNoRecord
			}
			return st.Get(store.BucketMeta, key)
		},
		keep: func(doc store.Doc, entries []store.JournalEntry) <-chan struct{} {
			return d.rec.Put([]store.Doc{doc}, entries)
		},
		build: func(ctx context.Context, week summary.Week) (*summary.Report, error) {
			return d.summaryOf(ctx, d.cfg.Load(), week, d.now().Wall)
		},
	}
	w.mails = func() bool { return d.channels.sender() != nil || d.cfg.Load().Mail.Host != "" }
	w.send = func(ctx context.Context, m mail.Summary) error {
		if s := d.channels.sender(); s != nil {
			return s.SendSummary(ctx, m)
		}
		// It is meant to be mailed: do not call that done.
		return alert.Permanent(errors.New("the [mail] section cannot work; the log says why"))
	}
	w.Run(ctx)
}

// SendSummary mails a week's summary to everybody with an address and returns
// to how many it went.
func (d *Daemon) SendSummary(ctx context.Context, week, by string) (sent int, key string, err error) {
	if by == "" {
		return 0, "", errors.New("say who you are: the field by is empty")
	}
	sender := d.channels.sender()
	if sender == nil {
		return 0, "", errors.New("the configuration has no [mail] section that works")
	}
	report, err := d.Summary(ctx, week)
	if err != nil {
		return 0, "", err
	}
	sent, err = mailTo(ctx, sender.SendSummary, d.cfg.Load(), report)
	now := d.now()
	d.rec.Put(nil, []store.JournalEntry{core.SummaryEntry(now, by, report.Week, "", fmt.Sprintf("sent to %d", sent), errText(err))})
	return sent, report.Week, err
}

func errText(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}
