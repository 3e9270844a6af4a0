package daemon

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
)

// controlHandler serves the API and what only the local control socket may
// ask: copies of the whole record.
func (d *Daemon) controlHandler() http.Handler {
	mux := http.NewServeMux()
	mux.Handle("/api/v1/", d.apiHandler())
	mux.HandleFunc("GET /api/v1/backup", d.serveBackup)
	return mux
}

// serveBackup streams a checked copy of the live record.
func (d *Daemon) serveBackup(w http.ResponseWriter, r *http.Request) {
	st := d.currentStore()
	if st == nil {
		writeError(w, http.StatusServiceUnavailable, errNoRecord)
		return
	}
	dir, err := os.MkdirTemp(d.o.Dir, ".backup-")
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
