package web

import (
	"errors"
	"fmt"
	"net/http"

	"dewline/alert/summary"
	"dewline/configs/unit"
)

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
