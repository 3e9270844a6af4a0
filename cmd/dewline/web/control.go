package web

import (
	"context"
	"encoding/json"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"dewline/alert"
	"dewline/alert/wire"
	"dewline/cmd/dewline/export"
	"dewline/sensors"
)

// control adds what only this board may ask: the whole record, of any length.
func (s *Site) control() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/api/v1/", s.API())
	mux.HandleFunc("GET /api/v1/backup", s.serveBackup)
	mux.HandleFunc("GET /api/v1/export", s.serveExport)
	mux.HandleFunc("GET /api/v1/journal/lines", s.serveJournalLines)
	mux.HandleFunc("GET /api/v1/journal/check", s.serveJournalCheck)
	return mux
}

// copyPattern names the folders in the data directory that copies are made in.
const copyPattern = ".backup-*"

// DropCopies removes copies of the record in the data directory that a kill cut
// off.
func DropCopies(dir string) {
	left, _ := filepath.Glob(filepath.Join(dir, copyPattern)) // the pattern is a good one
	for _, dir := range left {
		_ = os.RemoveAll(dir)
	}
}

// serveBackup streams a checked copy of the live record.
func (s *Site) serveBackup(w http.ResponseWriter, r *http.Request) {
	st, ok := s.record(w)
	if !ok {
		return
	}
	dir, err := os.MkdirTemp(s.o.Dir, copyPattern)
	if err != nil {
		writeError(w, http.StatusInsufficientStorage, err)
		return
	}
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, "copy.db")
	if err := st.Backup(r.Context(), file); err != nil {
		writeError(w, http.StatusInsufficientStorage, err)
		return
	}
	f, err := os.Open(file)
	if err != nil {
		writeError(w, http.StatusInternalServerError, err)
		return
	}
	defer f.Close()
	if fi, err := f.Stat(); err == nil {
		w.Header().Set("Content-Length", strconv.FormatInt(fi.Size(), 10))
	}
	w.Header().Set("Content-Type", "application/octet-stream")
	_, _ = io.Copy(w, f)
}

// ExportTrailer is the trailer with the ExportAnswer of an export.
const ExportTrailer = "Dewline-Export"

// An ExportAnswer follows an export; one that lacks it was cut off.
type ExportAnswer struct {
	export.Result
	Error          string    `json:"error,omitempty"`
	Oldest, Newest time.Time `json:",omitzero"` // of the readings on record
}

// serveExport streams readings of any span.
func (s *Site) serveExport(w http.ResponseWriter, r *http.Request) {
	st, from, to, ok := s.recordSpan(w, r, 24*time.Hour)
	if !ok {
		return
	}
	req := export.Request{Format: r.FormValue("format"), From: from, To: to}
	for _, p := range r.Form["probe"] {
		req.Probes = append(req.Probes, sensors.ProbeID(p))
	}
	if err := req.Check(st); err != nil {
		writeError(w, http.StatusBadRequest, err)
		return
	}
	w.Header().Set("Trailer", ExportTrailer)
	w.Header().Set("Content-Type", "application/octet-stream")
	res, err := export.Write(r.Context(), w, st, req)
	stats := st.Stats()
	answer := ExportAnswer{Result: res, Oldest: stats.OldestRaw, Newest: stats.Newest}
	if err != nil {
		answer.Error = err.Error()
	}
	b, err := json.Marshal(answer)
	if err != nil {
		s.log.Error("the end of an export cannot be written", "err", err)
		return
	}
	w.Header().Set(ExportTrailer, string(b))
}

// serveJournalLines streams journal entries, a JSON object a line.
func (s *Site) serveJournalLines(w http.ResponseWriter, r *http.Request) {
	st, from, to, ok := s.recordSpan(w, r, 24*time.Hour)
	if !ok {
		return
	}
	enc := json.NewEncoder(w)
	if err := journalLines(st, from, to, r.FormValue("all") == "true", func(l wire.JournalEntry) error { return enc.Encode(l) }); err != nil {
		_ = enc.Encode(wire.JournalEntry{Fault: err.Error()})
	}
}

// A JournalCheck tells how far the journal's chain is whole.
type JournalCheck struct {
	Entries int    `json:"entries"`
	Fault   string `json:"fault,omitempty"`
}

// serveJournalCheck follows the journal's chain.
func (s *Site) serveJournalCheck(w http.ResponseWriter, _ *http.Request) {
	st, ok := s.record(w)
	if !ok {
		return
	}
	n, err := st.VerifyJournal()
	c := JournalCheck{Entries: n}
	if err != nil {
		c.Fault = err.Error()
	}
	writeJSON(w, http.StatusOK, c)
}

// A Sentinel is what can be asked of one that watches rooms.
type Sentinel interface {
	// Look returns what it has open, in the form of a room's.
	Look(ctx context.Context) (*alert.Snapshot, error)
	Command(ctx context.Context, c alert.Command) alert.Reply
	Drill(ctx context.Context, person, by string) (id string, err error)
}

// SentinelControl serves the control socket of a sentinel: dewline alarm and
// drill work with it as with a room.
func SentinelControl(s Sentinel) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /api/v1/room", func(w http.ResponseWriter, r *http.Request) {
		snap, err := s.Look(r.Context())
		if err != nil {
			writeError(w, http.StatusServiceUnavailable, err)
			return
		}
		writeJSON(w, http.StatusOK, wire.RoomOf(snap))
	})
	mux.HandleFunc("POST /api/v1/command", postCommand(s.Command))
	mux.HandleFunc("POST /api/v1/drill", postDrill(s.Drill))
	return mux
}
