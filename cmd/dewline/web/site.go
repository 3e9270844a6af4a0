package web

import (
	"context"
	"net/http"
	"net/url"
	"slices"
	"time"

	"dewline/alert"
	"dewline/alert/metrics"
	"dewline/alert/page"
	"dewline/alert/wire"
	"dewline/alert/words"
	"dewline/configs/unit"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/common/expfmt"
)

// siteHandler serves what a person looks at.
func (s *Site) siteHandler(g *gate) http.Handler {
	return page.New(page.Options{
		Snapshot: s.room.Snapshot,
		Config:   s.room.Config,
		Record: func() page.Record {
			if st := s.room.Store(); st != nil {
				return st
			}
			return nil // and not a pointer to nothing in an interface
		},
		Notebook: notebook{s, s.hands},
		Command:  s.hands.Command,
		Link:     s.links.check,
		Refused: func(ctx context.Context, what, from string) {
			s.hands.Refuse(ctx, alert.Command{Action: what, By: from}, "wrong token on the page")
		},
		Tokens:  g.tokens,
		MayRead: g.mayRead,
		Summary: http.HandlerFunc(s.serveSummary),
		Log:     s.log,
	})
}

// A notebook passes keepers' notes between the page and the record.
type notebook struct {
	*Site
	Hands // which add one
}

// Notes returns the notes of one enclosure, oldest first.
func (n notebook) Notes(enclosure string, from, to time.Time) ([]wire.Note, error) {
	st := n.Site.room.Store()
	if st == nil {
		return nil, ErrNoRecord
	}
	return notesOf(st, enclosure, from, to)
}

// mostScrapes is how many may be under way at a time.
const mostScrapes = 4

// metricsHandler gathers and sends one part of the metrics after another: of 500 enclosures
// all of them at once are 9 MB.
func (s *Site) metricsHandler() http.Handler {
	room, turns := metrics.New(s.room.Snapshot), make(chan struct{}, mostScrapes)
	own := []prometheus.Collector{collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{})}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		select {
		case turns <- struct{}{}:
			defer func() { <-turns }()
		default:
			http.Error(w, "too many scrapes at once", http.StatusServiceUnavailable)
			return
		}
		format := expfmt.NegotiateAccept(r.Header, expfmt.DefaultOpenMetricsAcceptedFormats()...)
		w.Header().Set("Content-Type", string(format))
		w.Header().Add("Vary", "Accept")
		out := expfmt.NewEncoder(w, format)
		for _, part := range slices.Concat(own, room.Parts()) {
			reg := prometheus.NewRegistry()
			reg.MustRegister(part)
			families, err := reg.Gather() // what is whole, whatever the error
			if err != nil {
				s.log.Warn("some metrics cannot be shown", "err", err)
			}
			for _, f := range families {
				if out.Encode(f) != nil {
					return // nobody reads any more
				}
			}
		}
		if end, ok := out.(expfmt.Closer); ok {
			_ = end.Close()
		}
	})
}

// healthHandler answers 200 only while sampling, rules and record are live.
// Why they are not is told to those who may look.
func (s *Site) healthHandler(g *gate) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		h := wire.Health{}
		if snap := s.room.Snapshot(); snap != nil {
			h.Sampling, h.Record = snap.Cycle > 0 && s.room.Lively(time.Now()), snap.Recording
			if g.mayRead(r) {
				h.Note = words.Fact(snap.RecordWhy, unit.Celsius)
			}
		}
		h.OK = h.Sampling && h.Record
		code := http.StatusOK
		if !h.OK {
			code = http.StatusServiceUnavailable
		}
		writeJSON(w, code, h)
	}
}

// AnswerLink returns the address that answers a version of a notice; empty where
// the page has no address that a phone could reach.
func (s *Site) AnswerLink(noticeID string, version int) string {
	base := s.room.Config().HTTP.URL
	if base == "" {
		return ""
	}
	u, err := url.JoinPath(base, "answer", noticeID)
	if err != nil {
		return ""
	}
	return u + "?t=" + s.links.token(noticeID, version)
}
