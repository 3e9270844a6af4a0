package web

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"dewline/alert"
	"dewline/alert/summary"
	"dewline/alert/wire"
	"dewline/configs"
	"dewline/configs/unit"
	"dewline/sensors"
	"dewline/store"
)

// span reads from and to (RFC 3339); without them the last usual.
func (s *Site) span(r *http.Request, usual time.Duration) (from, to time.Time, err error) {
	to = s.room.Now().Wall.Add(time.Second) // what happens now is in
	if err = readTime(r, "to", &to); err != nil {
		return from, to, err
	}
	from = to.Add(-usual)
	if err = readTime(r, "from", &from); err == nil && !from.Before(to) {
		err = errors.New("from must lie before to")
	}
	return from, to, err
}

// readTime reads a field of a request, where it is there.
func readTime(r *http.Request, name string, t *time.Time) (err error) {
	if v := r.FormValue(name); v != "" {
		if *t, err = time.Parse(time.RFC3339, v); err != nil {
			return fmt.Errorf("%s: %q is no time; write one such as 2026-05-01T08:00:00Z", name, v)
		}
	}
	return nil
}

// record returns the record, or answers that there is none.
func (s *Site) record(w http.ResponseWriter) (st *store.Store, ok bool) {
	if st = s.room.Store(); st == nil {
		writeError(w, http.StatusServiceUnavailable, ErrNoRecord)
	}
	return st, st != nil
}

// recordSpan returns the record and the span that a request names, else the last
// usual, or answers it.
func (s *Site) recordSpan(w http.ResponseWriter, r *http.Request, usual time.Duration) (st *store.Store, from, to time.Time, ok bool) {
	from, to, err := s.span(r, usual)
	if err != nil {
		writeError(w, http.StatusBadRequest, err)
		return nil, from, to, false
	}
	st, ok = s.record(w)
	return st, from, to, ok
}

// journalLines hands the journal's entries of a span to write, and in the place of
// one that was changed or damaged its fault; what was measured only where all is asked for.
func journalLines(st *store.Store, from, to time.Time, all bool, write func(wire.JournalEntry) error) error {
	for e, err := range st.Journal(from, to) {
		var line wire.JournalEntry
		switch {
		case err == nil && e.Measured() && !all:
			continue
		case err == nil:
			line = wire.JournalEntryOf(&e)
		case errors.Is(err, store.ErrTampered):
			line.Fault = err.Error()
		default:
			return err
		}
		if err := write(line); err != nil {
			return err
		}
	}
	return nil
}

const maxRows = 20_000

// Spans up to which readings, then ten-minute sums, and then hourly ones are
// answered with; beyond, those of days in UTC.
const (
	rawUpTo        = 48 * time.Hour
	tenMinutesUpTo = 62 * 24 * time.Hour
	hoursUpTo      = 800 * 24 * time.Hour
)

// serveHistory answers one probe's history, at a level that suits the span.
func (s *Site) serveHistory(w http.ResponseWriter, r *http.Request) {
	st, from, to, ok := s.recordSpan(w, r, 24*time.Hour)
	if !ok {
		return
	}
	probe := sensors.ProbeID(r.FormValue("probe"))
	if !slices.ContainsFunc(s.room.Config().Probes, func(p configs.Probe) bool { return p.ID == string(probe) }) {
		writeError(w, http.StatusNotFound, fmt.Errorf("there is no probe %s", strconv.Quote(string(probe))))
		return
	}
	var rows []wire.HistoryRow
	var err error
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

// rawHistory is not whole where one answer cannot hold all readings.
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
	switch span := to.Sub(from); {
	case span <= tenMinutesUpTo:
		level = store.TenMinutes
	case span > hoursUpTo:
		level = store.Day
	}
	rows := []wire.HistoryRow{}
	for sum, err := range st.Rollups(r.Context(), probe, level, from, to) {
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

// notesOf returns the notes of an enclosure, or of all where it is empty, that
// were written within [from, to), oldest first.
func notesOf(st *store.Store, enclosure string, from, to time.Time) ([]wire.Note, error) {
	notes, err := collect(st, store.BucketNotes, func(n *alert.Note) bool {
		return (enclosure == "" || n.Enclosure == enclosure) && !n.At.Wall.Before(from) && n.At.Wall.Before(to)
	})
	return wire.NotesOf(notes), err
}

// collect returns the documents that are wanted. What is damaged hides no other:
// it is named in the error, beside what was found.
func collect[T any](st *store.Store, b store.Bucket, wanted func(*T) bool) ([]T, error) {
	out := []T{}
	var errs error
	for v := range store.Good(store.Decode[T](st.Docs(b)), store.JoinTo(&errs)) {
		if wanted(&v) {
			out = append(out, v)
		}
	}
	return out, errs
}

func (s *Site) serveSummary(w http.ResponseWriter, r *http.Request) {
	report, err := s.room.Summary(r.Context(), r.FormValue("week"))
	if err == nil && report.Early() && r.FormValue("week") == "" { // a new record: this week so far
		report, err = s.room.Summary(r.Context(), summary.WeekOf(s.room.Now().Wall, s.room.Config().Room.Location).String())
	}
	switch {
	case errors.Is(err, ErrNoRecord):
		writeError(w, http.StatusServiceUnavailable, err)
		return
	case err != nil:
		writeError(w, http.StatusBadRequest, err)
		return
	}
	units := unit.ScaleOf(r.FormValue("units"))
	w.Header().Set("Cache-Control", "no-store")
	switch format := r.FormValue("format"); format {
	case "", "html":
		s.serveSummaryPage(w, report, units)
	case "text":
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = w.Write([]byte(report.Text(units)))
	case "json":
		writeJSON(w, http.StatusOK, report.In(units))
	default:
		writeError(w, http.StatusBadRequest, fmt.Errorf("format is html, text or json, not %q", format))
	}
}

func (s *Site) serveSummaryPage(w http.ResponseWriter, report *summary.Report, units unit.Scale) {
	pics, err := report.Pictures(units)
	if err != nil {
		writeError(w, http.StatusInternalServerError, err)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	// The page holds its pictures and styles and loads nothing.
	w.Header().Set("Content-Security-Policy", "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'self'")
	if err := report.HTML(w, units, pics, summary.Inside); err != nil {
		s.log.Warn("a summary could not be shown", "week", report.Week, "err", err)
	}
}
