package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"

	"dewline/alert"
	"dewline/alert/mail"
	"dewline/alert/summary"
	"dewline/cmd/dewline/core"
	"dewline/cmd/dewline/web"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/rules/event"
	"dewline/sensors"
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
	every(ctx, weeklyLook, w.step)
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

// Times of sending the weekly summary.
const (
	weeklyLook   = time.Second      // how often the clock is looked at
	weeklyFirst  = 5 * time.Minute  // pause after the first failure
	weeklyMost   = 6 * time.Hour    // and the longest one
	weeklyCommit = 20 * time.Second // how long the record may take before a mail leaves
	weeklyGrace  = 5 * time.Second  // that a mail under way has when dewline stops
)

// What became of one person's mail. One that failed is tried again until the next
// week's is due: a keeper may mend a password.
const (
	mailSending = "sending" // it may be under way
	mailSent    = "sent"
	mailFailed  = "failed"
	mailUnknown = "unknown" // dewline ended while it was under way
)

// A weekDoc sees to it that no mail leaves twice and none is forgotten.
type weekDoc struct {
	Week string `json:"week"`
	// Done says that nothing is left to do: it was sent, there is nobody to
	// send it to, or the record holds nothing of the week.
	Done bool                `json:"done"`
	Why  string              `json:"why,omitempty"`
	Mail map[string]mailInfo `json:"mail,omitempty"` // by person
}

type mailInfo struct {
	State string    `json:"state"`
	At    time.Time `json:"at"`
	Why   string    `json:"why,omitempty"`
}

func weekKey(week string) string { return "summary/" + week }

// A weekly sends the summary of each week once. It runs on a goroutine of its
// own; what it needs of the daemon comes in as functions.
type weekly struct {
	cfg  func() *configs.Config
	now  func() sensors.Instant
	load func(key string) ([]byte, error) // nil for no document
	// keep commits; the channel closes when it is on the disk.
	keep  func(store.Doc, []event.Event) <-chan struct{}
	build func(context.Context, summary.Week) (*summary.Report, error)
	mails func() bool // there is a way to mail
	// send hands one mail over.
	send func(context.Context, mail.Summary) error
	log  *slog.Logger

	doc   weekDoc       // of the week under way in this run
	tries int           // of it that failed
	again time.Duration // running time before which it is not tried again
}

// lastDue is when a summary was due last, and the whole week that it tells of.
func lastDue(s configs.Summary, now time.Time, loc *time.Location) (time.Time, summary.Week) {
	local := now.In(loc)
	for back := range 9 {
		y, m, d := local.Date()
		at := time.Date(y, m, d-back, int(s.At)/60, int(s.At)%60, 0, 0, loc)
		if strings.EqualFold(at.Weekday().String(), s.Weekday) && !at.After(now) {
			return at, summary.WeekOf(at, loc).Prev()
		}
	}
	return time.Time{}, summary.Week{}
}

// step does what is due now. Nothing is due while the clock is unset.
func (w *weekly) step(ctx context.Context) {
	now, cfg := w.now(), w.cfg()
	if !now.Synced {
		return
	}
	due, week := lastDue(cfg.Summary, now.Wall, cfg.Room.Location)
	if due.IsZero() || !w.take(week.String(), now) || w.doc.Done || now.Mono < w.again {
		return
	}
	people := addressed(cfg, w.mails())
	if len(people) == 0 {
		w.finish(now, "nobody is mailed it; dewline summary shows it")
		return
	}
	report, err := w.build(ctx, week)
	if err == nil {
		if report.NoData {
			w.finish(now, "the record holds nothing of this week")
			return
		}
		for _, p := range people {
			err = errors.Join(err, w.mail(ctx, report, p))
		}
	}
	switch {
	case ctx.Err() != nil:
	case err == nil:
		w.finish(w.now(), "")
	default:
		w.postpone(err)
	}
}

// postpone waits longer after each failure.
func (w *weekly) postpone(err error) {
	pause := min(weeklyFirst<<min(w.tries, 12), weeklyMost)
	if w.tries++; w.tries == 1 {
		w.log.Error("the weekly summary could not be made or sent; it is tried again", "week", w.doc.Week, "err", err, "again", pause,
			"do", "mend mail or mail_to; dewline summary --send sends it at once")
	}
	w.again = w.now().Mono + pause
}

// take brings the week's document into memory; false while the record cannot be read.
func (w *weekly) take(week string, now sensors.Instant) bool {
	if w.doc.Week == week {
		return true
	}
	b, err := w.load(weekKey(week))
	if err != nil {
		return false
	}
	doc := weekDoc{}
	if len(b) > 0 {
		if err := json.Unmarshal(b, &doc); err != nil {
			// Rather a summary too many than none for ever.
			w.log.Error("what was sent of the weekly summary cannot be read", "week", week, "err", err)
			doc = weekDoc{}
		}
	}
	if doc.Week = week; doc.Mail == nil {
		doc.Mail = map[string]mailInfo{}
	}
	w.doc, w.tries, w.again = doc, 0, 0
	for id, m := range doc.Mail {
		if m.State != mailSending {
			continue
		}
		// It may have arrived. A second one would be worse than to say so.
		doc.Mail[id] = mailInfo{State: mailUnknown, At: now.Wall, Why: "dewline ended while the mail was under way"}
		w.log.Warn("the weekly summary was under way when dewline ended; whether it arrived is unknown",
			"week", week, "person", id, "do", "dewline summary --week "+week+" --send sends it again")
		w.write(now, id)
	}
	return true
}

// addressed returns the people that a summary goes to.
func addressed(cfg *configs.Config, canMail bool) []configs.Person {
	var out []configs.Person
	for _, p := range cfg.People {
		if canMail && p.MailTo != "" {
			out = append(out, p)
		}
	}
	return out
}

// mail sends one person's summary, unless that is over. That it is under way is on
// the disk before it leaves, so that a restart does not send it again.
func (w *weekly) mail(ctx context.Context, report *summary.Report, p configs.Person) error {
	was := w.doc.Mail[p.ID].State
	if was == mailSent || was == mailUnknown || ctx.Err() != nil {
		return nil
	}
	now := w.now()
	w.doc.Mail[p.ID] = mailInfo{State: mailSending, At: now.Wall}
	w.await(ctx, w.write(now, ""))
	err := w.hand(ctx, report, p)
	m := mailInfo{State: mailSent, At: w.now().Wall}
	if err != nil {
		if ctx.Err() != nil {
			return nil // it stays under way: what became of it is not known
		}
		m.State, m.Why = mailFailed, err.Error()
		err = fmt.Errorf("summary for %s: %w", p.ID, err)
	} else {
		w.log.Info("the weekly summary was sent", "week", w.doc.Week, "person", p.ID)
	}
	w.doc.Mail[p.ID] = m
	told := p.ID
	if m.State == was { // again in vain
		told = ""
	}
	w.await(ctx, w.write(w.now(), told))
	return err
}

// hand gives a mail under way a moment to end when dewline stops.
func (w *weekly) hand(ctx context.Context, report *summary.Report, p configs.Person) error {
	s, err := report.Mail(unit.ScaleOf(p.Units), p.MailTo, p.ID)
	if err != nil {
		return alert.Permanent(err)
	}
	sendCtx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(weeklyGrace, cancel) })
	defer stop()
	return w.send(sendCtx, s)
}

func (w *weekly) finish(now sensors.Instant, why string) {
	w.doc.Done, w.doc.Why = true, why
	if why != "" {
		w.log.Info("the weekly summary is ready", "week", w.doc.Week, "note", why)
	}
	w.write(now, "")
}

// write adds a line to the journal where the mail of a person came to something.
func (w *weekly) write(now sensors.Instant, person string) <-chan struct{} {
	b, err := json.Marshal(w.doc)
	if err != nil {
		w.log.Error("what was sent of the weekly summary cannot be kept", "err", err)
		return nil
	}
	var entries []event.Event
	if m, ok := w.doc.Mail[person]; ok {
		entries = []event.Event{core.SummaryEvent(now, "dewline", w.doc.Week, person, m.State, m.Why)}
	}
	return w.keep(store.Doc{Bucket: store.BucketMeta, Key: weekKey(w.doc.Week), Value: b}, entries)
}

// await waits not for ever: a failing card must not hold back what tells of it.
func (w *weekly) await(ctx context.Context, done <-chan struct{}) {
	if done != nil && !onDisk(ctx, done, weeklyCommit) && ctx.Err() == nil {
		w.log.Warn("the record is slow; the weekly summary leaves without it", "week", w.doc.Week)
	}
}

func mailTo(ctx context.Context, send func(context.Context, mail.Summary) error, cfg *configs.Config, r *summary.Report) (int, error) {
	sent := 0
	var errs []error
	for _, p := range addressed(cfg, true) {
		m, err := r.Mail(unit.ScaleOf(p.Units), p.MailTo, p.ID)
		if err == nil {
			err = send(ctx, m)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("summary for %s: %w", p.ID, err))
			continue
		}
		sent++
	}
	if sent == 0 && len(errs) == 0 {
		errs = append(errs, errors.New("nobody has mail_to in the configuration"))
	}
	return sent, errors.Join(errs...)
}
