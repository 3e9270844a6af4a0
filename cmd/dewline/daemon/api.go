package daemon

import (
	"errors"
	"fmt"
	"net/http"
	"strconv"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/rules"
	"dewline/sensors"
	"dewline/store"
)

// apiHandler serves /api/v1 as JSON. Who may call is decided before.
func (d *Daemon) apiHandler() http.Handler {
	mux := http.NewServeMux()
	for _, r := range d.routes() {
		mux.HandleFunc(r.method+" /api/v1/"+r.path, r.serve)
	}
	return mux
}

// A route is one thing that the API answers.
type route struct {
	method, path string
	serve        http.HandlerFunc
}

// routes lists what the API answers.
func (d *Daemon) routes() []route {
	show := func(pick func(*alert.Snapshot) any) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			s := d.snapshot.Load()
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
		{"GET", "probes", show(func(s *alert.Snapshot) any { return wire.ProbesOf(s) })},
		{"GET", "alarms", show(func(s *alert.Snapshot) any { return wire.AlarmsOf(s) })},
		{"GET", "notices", show(func(s *alert.Snapshot) any { return wire.NoticesOf(s) })},
		{"GET", "kpi", show(func(s *alert.Snapshot) any { return wire.MeasuresOf(&s.KPI) })},
		{"GET", "probes/{id}/reading", d.serveReading},
		{"GET", "whatif", d.serveWhatIf},
		{"GET", "history", d.serveHistory},
		{"GET", "journal", d.serveJournal},
		{"GET", "notes", d.serveNotes},
		{"POST", "notes", d.serveAddNote},
		{"GET", "summary", d.serveSummary},
		{"POST", "summary", d.serveSendSummary},
		{"POST", "command", d.serveCommand},
		{"POST", "drill", d.serveDrill},
		{"GET", "drills", d.serveDrills},
		{"POST", "calibrations", d.serveCalibrate},
		{"POST", "reload", d.serveReload},
	}
}

func (d *Daemon) serveReload(w http.ResponseWriter, _ *http.Request) {
	d.Reload()
	writeJSON(w, http.StatusAccepted, wire.Reply{OK: true})
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
	if !d.call(r.Context(), func(sensors.Instant) { answer = d.core.WhatIf(a) }) {
		writeError(w, http.StatusServiceUnavailable, errors.New("dewline is stopping"))
		return
	}
	writeJSON(w, http.StatusOK, wire.ProspectsOf(answer))
}

// serveReading answers the newest reading of a probe, raw sample included.
func (d *Daemon) serveReading(w http.ResponseWriter, r *http.Request) {
	reading, ok := d.Latest(sensors.ProbeID(r.PathValue("id")))
	if !ok {
		writeError(w, http.StatusNotFound, fmt.Errorf("there is no reading of a probe %q", r.PathValue("id")))
		return
	}
	writeJSON(w, http.StatusOK, wire.ReadingOf(&reading))
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
	writeJSON(w, http.StatusOK, wire.Reply{ID: id, OK: true})
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
	writeJSON(w, http.StatusOK, wire.DrillsOf(drills))
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
	writeJSON(w, http.StatusOK, wire.Reply{OK: true})
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
	writeJSON(w, http.StatusOK, wire.Reply{OK: true})
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
	docs := make([]wire.Note, len(notes))
	for i, n := range notes {
		docs[i] = wire.NoteOf(n.At, n.Enclosure, n.By, n.Text)
	}
	writeJSON(w, http.StatusOK, docs)
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
	entries := []wire.JournalEntry{}
	for e, err := range st.Journal(from, to) {
		if err != nil {
			writeError(w, http.StatusInternalServerError, err)
			return
		}
		if entries = append(entries, wire.JournalEntryOf(&e)); len(entries) == maxRows {
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
	var rows []wire.HistoryRow
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
func rawHistory(r *http.Request, st *store.Store, probe sensors.ProbeID, from, to time.Time) (rows []wire.HistoryRow, whole bool, err error) {
	rows = []wire.HistoryRow{}
	for reading, err := range st.Readings(r.Context(), probe, from, to) {
		if err != nil {
			return nil, false, err
		}
		if len(rows) == maxRows {
			return nil, false, nil
		}
		row := wire.HistoryRow{Time: reading.At.Wall, Quality: reading.Quality.String(), Reason: reading.Reason.String()}
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

func summedHistory(r *http.Request, st *store.Store, probe sensors.ProbeID, from, to time.Time) ([]wire.HistoryRow, error) {
	level := store.Hour
	if to.Sub(from) <= tenMinutesUpTo {
		level = store.TenMinutes
	}
	rows := []wire.HistoryRow{}
	sums := st.Rollups(r.Context(), probe, level, from, to)
	if to.Sub(from) > hoursUpTo {
		sums = byDay(sums)
	}
	for sum, err := range sums {
		if err != nil {
			return nil, err
		}
		row := wire.HistoryRow{Time: sum.Start, Gap: sum.Gap.Seconds()}
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
