package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"dewline/alert"
	"dewline/alert/page"
	"dewline/alert/wire"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// API serves /api/v1 as JSON. Who may call is decided before.
func (s *Site) API() http.Handler {
	mux, methods := http.NewServeMux(), map[string][]string{}
	for _, r := range s.routes() {
		mux.HandleFunc(r.method+" /api/v1/"+r.path, r.serve)
		methods[r.path] = append(methods[r.path], r.method)
	}
	for path, known := range methods {
		allow := strings.Join(known, ", ")
		mux.HandleFunc("/api/v1/"+path, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Allow", allow)
			writeError(w, http.StatusMethodNotAllowed, fmt.Errorf("this answers %s only", allow))
		})
	}
	mux.HandleFunc("/", func(w http.ResponseWriter, r *http.Request) {
		writeError(w, http.StatusNotFound, fmt.Errorf("there is no %s; configs/api/openapi.json lists what there is", r.URL.Path))
	})
	return mux
}

type route struct {
	method, path string
	serve        http.HandlerFunc
}

func (s *Site) routes() []route {
	show := func(pick func(*alert.Snapshot) any) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			s := s.room.Snapshot()
			if s == nil {
				writeError(w, http.StatusServiceUnavailable, errors.New("dewline has just started; try again in a second"))
				return
			}
			writeJSON(w, http.StatusOK, pick(s))
		}
	}
	return []route{
		{"GET", "room", show(func(s *alert.Snapshot) any { return wire.RoomOf(s) })},
		{"GET", "enclosures", show(func(s *alert.Snapshot) any { return wire.EnclosuresOf(s) })},
		{"GET", "probes", show(func(s *alert.Snapshot) any { return s.Probes })},
		{"GET", "alarms", show(func(s *alert.Snapshot) any { return wire.AlarmsOf(s) })},
		{"GET", "notices", show(func(s *alert.Snapshot) any { return wire.NoticesOf(s) })},
		{"GET", "kpi", show(func(s *alert.Snapshot) any { return wire.MeasuresOf(&s.KPI) })},
		{"GET", "probes/{id}/reading", s.serveReading},
		{"GET", "whatif", s.serveWhatIf},
		{"GET", "history", s.serveHistory},
		{"GET", "journal", s.serveJournal},
		{"GET", "notes", s.serveNotes},
		{"POST", "notes", posted(func(ctx context.Context, n struct{ Enclosure, By, Text string }) (any, error) {
			return done, s.hands.AddNote(ctx, n.Enclosure, n.By, n.Text)
		})},
		{"GET", "summary", s.serveSummary},
		{"POST", "summary", posted(func(ctx context.Context, r struct{ Week, By string }) (any, error) {
			sent, week, err := s.hands.SendSummary(ctx, r.Week, r.By)
			return wire.SummarySent{Week: week, Sent: sent}, err
		})},
		{"POST", "command", postCommand(s.hands.Command)},
		{"POST", "drill", postDrill(s.hands.Drill)},
		{"GET", "drills", s.serveDrills},
		{"POST", "calibrations", posted(func(ctx context.Context, c sensors.Correction) (any, error) {
			return done, s.hands.Calibrate(ctx, c)
		})},
		{"POST", "reload", func(w http.ResponseWriter, _ *http.Request) {
			s.hands.Reload()
			writeJSON(w, http.StatusAccepted, done)
		}},
	}
}

// done answers what has nothing more to tell.
var done = wire.Reply{OK: true}

// serveWhatIf answers what a room at ?room= °C would do, with ?lamps=on or off and,
// where it is known, the room's ?rh= in %.
func (s *Site) serveWhatIf(w http.ResponseWriter, r *http.Request) {
	room, err := strconv.ParseFloat(r.FormValue("room"), 64)
	if err != nil || !(room >= -30 && room <= 60) {
		writeError(w, http.StatusBadRequest, errors.New("room must be a temperature in °C from -30 to 60"))
		return
	}
	a := rules.Assumption{Room: room}
	if v := r.FormValue("rh"); v != "" {
		rh, err := strconv.ParseFloat(v, 64)
		if err != nil || !(rh > 0 && rh <= 100) {
			writeError(w, http.StatusBadRequest, errors.New("rh must be a relative humidity in %, above 0 and at most 100"))
			return
		}
		a.Humidity = &rh
	}
	if v := r.FormValue("lamps"); v != "" {
		on := v == "on"
		if !on && v != "off" {
			writeError(w, http.StatusBadRequest, errors.New("lamps is on or off"))
			return
		}
		a.LampsOn = &on
	}
	answer, err := s.room.WhatIf(r.Context(), a)
	if err != nil {
		writeError(w, http.StatusServiceUnavailable, err)
		return
	}
	writeJSON(w, http.StatusOK, answer)
}

// serveReading answers the newest reading of a probe, raw sample included.
func (s *Site) serveReading(w http.ResponseWriter, r *http.Request) {
	reading, ok := s.room.Latest(sensors.ProbeID(r.PathValue("id")))
	if !ok {
		writeError(w, http.StatusNotFound, fmt.Errorf("there is no reading of a probe %q", r.PathValue("id")))
		return
	}
	writeJSON(w, http.StatusOK, wire.ReadingOf(&reading))
}

func (s *Site) serveDrills(w http.ResponseWriter, r *http.Request) {
	st, from, to, ok := s.recordSpan(w, r, 366*24*time.Hour)
	if !ok {
		return
	}
	drills, err := collect(st, store.BucketDrills, func(d *alert.DrillResult) bool {
		return !d.At.Wall.Before(from) && d.At.Wall.Before(to)
	})
	s.damaged(err)
	writeJSON(w, http.StatusOK, wire.DrillsOf(drills))
}

func (s *Site) serveNotes(w http.ResponseWriter, r *http.Request) {
	st, from, to, ok := s.recordSpan(w, r, 30*24*time.Hour)
	if !ok {
		return
	}
	notes, err := notesOf(st, r.FormValue("enclosure"), from, to)
	s.damaged(err)
	writeJSON(w, http.StatusOK, notes)
}

func (s *Site) serveJournal(w http.ResponseWriter, r *http.Request) {
	st, from, to, ok := s.recordSpan(w, r, 24*time.Hour)
	if !ok {
		return
	}
	entries := []wire.JournalEntry{}
	err := journalLines(st, from, to, r.FormValue("all") == "true", func(l wire.JournalEntry) error {
		if entries = append(entries, l); len(entries) == maxRows {
			return errEnough
		}
		return nil
	})
	if err != nil && !errors.Is(err, errEnough) {
		writeError(w, http.StatusInternalServerError, err)
		return
	}
	writeJSON(w, http.StatusOK, entries)
}

var errEnough = errors.New("enough")

// damaged logs a fault that hides only what is damaged itself: the rest is answered.
func (s *Site) damaged(err error) {
	if err != nil {
		s.log.Error("part of the record cannot be read", "err", err)
	}
}

func postCommand(do func(context.Context, alert.Command) alert.Reply) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		var c alert.Command
		if err := decodeBody(r, &c); err != nil {
			writeError(w, http.StatusBadRequest, err)
			return
		}
		grant := allowed(r)
		if c.Action != string(rules.Acknowledge) && grant.Right < page.Change {
			writeError(w, http.StatusForbidden, errMayNot)
			return
		}
		if grant.Name != "" {
			c.By = grant.Name
		}
		reply := do(r.Context(), c)
		code := http.StatusOK
		if !reply.OK {
			code = http.StatusConflict
		}
		writeJSON(w, code, reply)
	}
}

func postDrill(do func(ctx context.Context, person, by string) (string, error)) http.HandlerFunc {
	return posted(func(ctx context.Context, r struct{ Person, By string }) (any, error) {
		id, err := do(ctx, r.Person, r.By)
		return wire.Reply{ID: id, OK: true}, err
	})
}
