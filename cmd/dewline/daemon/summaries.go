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
	"dewline/rules/event"
	"dewline/store"
)

const summaryFresh = time.Minute

// The summaries are those of each week: made when somebody asks, one at a time,
// for a small board has better things to do, and mailed once on a goroutine of
// their own.
type summaries struct {
	*base
	record *record
	sender func() *mail.Sender // nil for no way to mail

	mu      sync.Mutex // guards what follows, and is held while a report is made
	last    *summary.Report
	lastCfg *configs.Config
	lastAt  time.Time // by the process's clock
}

// Summary returns the report of a week such as "2026-W47"; empty is the last
// whole one.
func (s *summaries) Summary(ctx context.Context, week string) (*summary.Report, error) {
	cfg, now := s.cfg.Load(), s.now()
	w := summary.WeekOf(now.Wall, cfg.Room.Location).Prev()
	if week != "" {
		var err error
		if w, err = summary.ParseWeek(week, cfg.Room.Location); err != nil {
			return nil, err
		}
	}
	return s.summaryOf(ctx, cfg, w, now.Wall)
}

func (s *summaries) summaryOf(ctx context.Context, cfg *configs.Config, w summary.Week, now time.Time) (*summary.Report, error) {
	st := s.record.Store()
	if st == nil {
		return nil, web.ErrNoRecord
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.last != nil && s.lastCfg == cfg && s.last.Week == w.String() && time.Since(s.lastAt) < summaryFresh {
		return s.last, nil
	}
	r, err := summary.Build(ctx, st, cfg, w, now)
	if err != nil {
		return nil, err
	}
	s.last, s.lastCfg, s.lastAt = r, cfg, time.Now()
	return r, nil
}

func (s *summaries) run(ctx context.Context) {
	w := &weekly{
		cfg: s.cfg.Load, now: s.now, log: s.log,
		load: func(key string) ([]byte, error) {
			st := s.record.Store()
			if st == nil {
				return nil, web.ErrNoRecord
			}
			return st.Get(store.BucketMeta, key)
		},
		keep: func(doc store.Doc, entries []event.Event) <-chan struct{} {
			return s.record.rec.Put([]store.Doc{doc}, entries)
		},
		build: func(ctx context.Context, week summary.Week) (*summary.Report, error) {
			return s.summaryOf(ctx, s.cfg.Load(), week, s.now().Wall)
		},
		mails: func() bool { return s.sender() != nil || s.cfg.Load().Mail.Host != "" },
		send: func(ctx context.Context, m mail.Summary) error {
			if s := s.sender(); s != nil {
				return s.SendSummary(ctx, m)
			}
			// It is meant to be mailed: do not call that done.
			return alert.Permanent(errors.New("the [mail] section cannot work; the log says why"))
		},
	}
	w.Run(ctx)
}

// SendSummary mails a week's summary to everybody with an address and returns
// to how many it went.
func (s *summaries) SendSummary(ctx context.Context, week, by string) (sent int, key string, err error) {
	if by == "" {
		return 0, "", errors.New("say who you are: the field by is empty")
	}
	sender := s.sender()
	if sender == nil {
		return 0, "", errors.New("the configuration has no [mail] section that works")
	}
	report, err := s.Summary(ctx, week)
	if err != nil {
		return 0, "", err
	}
	sent, err = mailTo(ctx, sender.SendSummary, s.cfg.Load(), report)
	why := ""
	if err != nil {
		why = err.Error()
	}
	s.record.rec.Put(nil, []event.Event{core.SummaryEvent(s.now(), by, report.Week, "", fmt.Sprintf("sent to %d", sent), why)})
	return sent, report.Week, err
}
