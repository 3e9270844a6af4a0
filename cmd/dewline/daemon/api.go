package daemon

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"dewline/alert"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// apiHandler serves /api/v1 as JSON. Who may call is decided before.
func (d *Daemon) apiHandler() http.Handler {
	mux := http.NewServeMux()
	show := func(pattern string, pick func(*alert.Snapshot) any) {
		mux.HandleFunc("GET /api/v1/"+pattern, func(w http.ResponseWriter, _ *http.Request) {
			s := d.snapshot.Load()
			if s == nil {
				writeError(w, http.StatusServiceUnavailable, errors.New("dewline has just started; try again in a second"))
				return
			}
			writeJSON(w, http.StatusOK, pick(s))
		})
	}
	show("room", func(s *alert.Snapshot) any { return s })
	show("enclosures", func(s *alert.Snapshot) any { return s.Enclosures })
	show("probes", func(s *alert.Snapshot) any { return s.Probes })
	show("alarms", func(s *alert.Snapshot) any { return s.Alarms })
	show("notices", func(s *alert.Snapshot) any { return s.Notices })
	show("kpi", func(s *alert.Snapshot) any { return s.KPI })
	mux.HandleFunc("GET /api/v1/probes/{id}/reading", d.serveReading)
	mux.HandleFunc("GET /api/v1/whatif", d.serveWhatIf)
	mux.HandleFunc("GET /api/v1/history", d.serveHistory)
	mux.HandleFunc("GET /api/v1/journal", d.serveJournal)
	mux.HandleFunc("GET /api/v1/notes", d.serveNotes)
	mux.HandleFunc("POST /api/v1/notes", d.serveAddNote)
	mux.HandleFunc("GET /api/v1/summary", d.serveSummary)
	mux.HandleFunc("POST /api/v1/summary", d.serveSendSummary)
	mux.HandleFunc("POST /api/v1/command", d.serveCommand)
	mux.HandleFunc("POST /api/v1/drill", d.serveDrill)
	mux.HandleFunc("GET /api/v1/drills", d.serveDrills)
	mux.HandleFunc("POST /api/v1/calibrations", d.serveCalibrate)
	mux.HandleFunc("POST /api/v1/reload", func(w http.ResponseWriter, _ *http.Request) {
		d.Reload()
		writeJSON(w, http.StatusAccepted, alert.Reply{OK: true})
	})
	return mux
}

func (d *Daemon) serveCommand(w http.ResponseWriter, r *http.Request) {
	var c alert.Command
	if err := decodeBody(r, &c); err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	reply := d.Command(r.Context(), c)
	code := http.StatusOK
	if !reply.OK {
		code = http.StatusConflict
	}
	writeJSON(w, code, reply)
}

// serveWhatIf answers what a room at ?room= °C would do, with ?lamps=on or off.
func (d *Daemon) serveWhatIf(w http.ResponseWriter, r *http.Request) {
	room, err := strconv.ParseFloat(r.FormValue("room"), 64)
	if err != nil || !(room >= -30 && room <= 60) {
		writeError(w, http.StatusBadRequest, errors.New("room must be a temperature in °C from -30 to 60"))
		return
	}
	a := rules.Assumption{Room: room}
	if v := r.FormValue("lamps"); v != "" {
		on := v == "on"
		if !on && v != "off" {
			writeError(w, http.StatusBadRequest, errors.New("lamps is on or off"))
			return
		}
		a.LampsOn = &on
	}
	var answer []rules.Prospect
	if !d.call(r.Context(), func(sensors.Instant) { answer = d.core.engine.WhatIf(a) }) {
		writeError(w, http.StatusServiceUnavailable, errors.New("dewline is stopping"))
		return
	}
	writeJSON(w, http.StatusOK, answer)
}

// serveReading answers the newest reading of a probe, raw sample included.
func (d *Daemon) serveReading(w http.ResponseWriter, r *http.Request) {
	reading, ok := d.Latest(sensors.ProbeID(r.PathValue("id")))
	if !ok {
		writeError(w, http.StatusNotFound, fmt.Errorf("there is no reading of a probe %q", r.PathValue("id")))
		return
	}
	writeJSON(w, http.StatusOK, reading)
}

func (d *Daemon) serveDrill(w http.ResponseWriter, r *http.Request) {
	var req struct{ Person, By string }
	if err := decodeBody(r, &req); err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	id, err := d.Drill(r.Context(), req.Person, req.By)
	if err != nil {
		writeError(w, http.StatusConflict, err)
		return
	}
	writeJSON(w, http.StatusOK, map[string]string{"id": id})
}

// serveDrills answers the results of drills, those of a year unless told
// otherwise.
func (d *Daemon) serveDrills(w http.ResponseWriter, r *http.Request) {
	from, to, err := d.span(r, 366*24*time.Hour)
	if err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	drills, err := d.Drills(from, to)
	if err != nil {
		writeError(w, http.StatusServiceUnavailable, err)
		return
	}
	writeJSON(w, http.StatusOK, drills)
}

func (d *Daemon) serveCalibrate(w http.ResponseWriter, r *http.Request) {
	var c sensors.Correction
	if err := decodeBody(r, &c); err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	if err := d.Calibrate(r.Context(), c); err != nil {
		writeError(w, http.StatusConflict, err)
		return
	}
	writeJSON(w, http.StatusOK, alert.Reply{OK: true})
}

func (d *Daemon) serveAddNote(w http.ResponseWriter, r *http.Request) {
	var n struct{ Enclosure, By, Text string }
	if err := decodeBody(r, &n); err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	if err := d.AddNote(r.Context(), n.Enclosure, n.By, n.Text); err != nil {
		writeError(w, http.StatusConflict, err)
		return
	}
	writeJSON(w, http.StatusOK, alert.Reply{OK: true})
}

func (d *Daemon) serveNotes(w http.ResponseWriter, r *http.Request) {
	from, to, err := d.span(r, 30*24*time.Hour)
	if err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	notes, err := d.Notes(r.FormValue("enclosure"), from, to)
	if err != nil {
		writeError(w, http.StatusServiceUnavailable, err)
		return
	}
	writeJSON(w, http.StatusOK, notes)
}

func (d *Daemon) serveJournal(w http.ResponseWriter, r *http.Request) {
	from, to, err := d.span(r, 24*time.Hour)
	if err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	st := d.currentStore()
	if st == nil {
		writeError(w, http.StatusServiceUnavailable, errNoRecord)
		return
	}
	entries := []store.JournalEntry{}
	for e, err := range st.Journal(from, to) {
		if err != nil {
			writeError(w, http.StatusInternalServerError, err)
			return
		}
		if entries = append(entries, e); len(entries) == maxRows {
			break
		}
	}
	writeJSON(w, http.StatusOK, entries)
}

// maxRows is the most rows that one answer holds.
const maxRows = 20_000

// span reads from and to (RFC 3339); without them the last usual.
func (d *Daemon) span(r *http.Request, usual time.Duration) (from, to time.Time, err error) {
	to = d.now().Wall.Add(time.Second) // what happens now is in
	if v := r.FormValue("to"); v != "" {
		if to, err = time.Parse(time.RFC3339, v); err != nil {
			return from, to, fmt.Errorf("to: write a time such as 2026-05-01T08:00:00Z: %w", err)
		}
	}
	from = to.Add(-usual)
	if v := r.FormValue("from"); v != "" {
		if from, err = time.Parse(time.RFC3339, v); err != nil {
			return from, to, fmt.Errorf("from: write a time such as 2026-05-01T08:00:00Z: %w", err)
		}
	}
	if !from.Before(to) {
		return from, to, errors.New("from must lie before to")
	}
	return from, to, nil
}

// A historyRow is a reading, or the sum of a span where Mean is a mean.
type historyRow struct {
	Time     time.Time `json:"time"`
	TempMin  *float64  `json:"temperature_min_c,omitempty"`
	TempMean *float64  `json:"temperature_c,omitempty"`
	TempMax  *float64  `json:"temperature_max_c,omitempty"`
	HumMin   *float64  `json:"humidity_min_pct,omitempty"`
	HumMean  *float64  `json:"humidity_pct,omitempty"`
	HumMax   *float64  `json:"humidity_max_pct,omitempty"`
	Quality  string    `json:"quality,omitempty"`
	Reason   string    `json:"reason,omitempty"`
	GapS     float64   `json:"gap_seconds,omitempty"`
}

// Spans up to which readings, then ten-minute sums, and then hourly ones are
// answered with; beyond, those of days in UTC.
const (
	rawUpTo        = 48 * time.Hour
	tenMinutesUpTo = 62 * 24 * time.Hour
	hoursUpTo      = 800 * 24 * time.Hour
)

// serveHistory answers one probe's history, at a level that suits the span.
func (d *Daemon) serveHistory(w http.ResponseWriter, r *http.Request) {
	from, to, err := d.span(r, 24*time.Hour)
	if err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	st := d.currentStore()
	if st == nil {
		writeError(w, http.StatusServiceUnavailable, errNoRecord)
		return
	}
	probe := sensors.ProbeID(r.FormValue("probe"))
	if !hasProbe(d.cfg.Load(), string(probe)) {
		writeError(w, http.StatusNotFound, fmt.Errorf("there is no probe %s", strconv.Quote(string(probe))))
		return
	}
	var rows []historyRow
	whole := false
	if to.Sub(from) <= rawUpTo {
		rows, whole, err = rawHistory(r, st, probe, from, to)
	}
	if err == nil && !whole {
		rows, err = summedHistory(r, st, probe, from, to)
	}
	if err != nil {
		writeError(w, http.StatusInternalServerError, err)
		return
	}
	writeJSON(w, http.StatusOK, rows)
}

// rawHistory reports whole as false where there are more readings than one answer
// holds.
func rawHistory(r *http.Request, st *store.Store, probe sensors.ProbeID, from, to time.Time) (rows []historyRow, whole bool, err error) {
	rows = []historyRow{}
	for reading, err := range st.Readings(r.Context(), probe, from, to) {
		if err != nil {
			return nil, false, err
		}
		if len(rows) == maxRows {
			return nil, false, nil
		}
		row := historyRow{Time: reading.At.Wall, Quality: reading.Quality.String(), Reason: reading.Reason.String()}
		if reading.Has&sensors.HasTemperature != 0 {
			row.TempMean = hundredths(int32(reading.Temperature))
		}
		if reading.Has&sensors.HasHumidity != 0 {
			row.HumMean = hundredths(int32(reading.Humidity))
		}
		rows = append(rows, row)
	}
	return rows, true, nil
}

func summedHistory(r *http.Request, st *store.Store, probe sensors.ProbeID, from, to time.Time) ([]historyRow, error) {
	level := store.Hour
	if to.Sub(from) <= tenMinutesUpTo {
		level = store.TenMinutes
	}
	rows := []historyRow{}
	sums := st.Rollups(r.Context(), probe, level, from, to)
	if to.Sub(from) > hoursUpTo {
		sums = byDay(sums)
	}
	for sum, err := range sums {
		if err != nil {
			return nil, err
		}
		row := historyRow{Time: sum.Start, GapS: sum.Gap.Seconds()}
		if sum.Has&sensors.HasTemperature != 0 {
			row.TempMin, row.TempMean, row.TempMax = hundredths(sum.Temperature.Min), hundredths(sum.Temperature.Mean), hundredths(sum.Temperature.Max)
		}
		if sum.Has&sensors.HasHumidity != 0 {
			row.HumMin, row.HumMean, row.HumMax = hundredths(sum.Humidity.Min), hundredths(sum.Humidity.Mean), hundredths(sum.Humidity.Max)
		}
		if rows = append(rows, row); len(rows) == maxRows {
			break
		}
	}
	return rows, nil
}

func hundredths(v int32) *float64 {
	f := float64(v) / 100
	return &f
}
