package daemon

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"

	"dewline/alert"
	"dewline/alert/page"
	"dewline/alert/wire"
	"dewline/sensors"
)

// maxBody is the most that a request may carry, in bytes.
const maxBody = 64 << 10

// startServers serves the page and the control socket, and starts what else
// runs beside the core. The returned function stops all of it.
func (d *Daemon) startServers(ctx context.Context, done *sync.WaitGroup) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var servers []*http.Server
	if ln := d.pageListener(); ln != nil {
		addr := ln.Addr().String()
		d.pageAddr.Store(&addr)
		d.log.Debug("the page is open", "addr", addr)
		servers = append(servers, d.serve(done, ln, d.pageHandler(ctx)))
	}
	if ln := d.controlListener(); ln != nil {
		servers = append(servers, d.serve(done, ln, d.controlHandler()))
	}
	d.tellLeftOut(ctx)
	done.Go(func() { d.runUpkeep(ctx) })
	done.Go(func() { d.watchCertificates(ctx) })
	if d.late != nil {
		done.Go(func() { d.runLate(ctx) })
	}
	done.Go(func() { d.runWeekly(ctx) })
	return func() {
		cancel()
		for _, s := range servers {
			shutCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
			if err := s.Shutdown(shutCtx); err != nil {
				_ = s.Close()
			}
			cancel()
		}
	}
}

// newServer returns a server with limits on what a client may send and how
// long it may take. Answers have their own limits, since pages stream.
func newServer(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler: http.MaxBytesHandler(h, maxBody), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 20 * time.Second,
		IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
		// Broken handshakes and the like of strangers: nothing that a keeper
		// need do something about.
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
}

// serve runs one server until it is shut down.
func (d *Daemon) serve(done *sync.WaitGroup, ln net.Listener, h http.Handler) *http.Server {
	s := newServer(h, d.log)
	cfg := d.cfg.Load().HTTP
	secure := cfg.CertFile != "" && ln.Addr().Network() != "unix"
	if secure {
		cert := &pageCertificate{certFile: cfg.CertFile, keyFile: cfg.KeyFile}
		s.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: cert.get}
		if _, err := cert.get(nil); err != nil {
			d.log.Error("nobody can open the page until its certificate can be read", "err", err)
		}
	}
	done.Go(func() {
		var err error
		if secure {
			err = s.ServeTLS(ln, "", "")
		} else {
			err = s.Serve(ln)
		}
		if !errors.Is(err, http.ErrServerClosed) {
			d.log.Error("a server ended; watching and warning go on", "addr", ln.Addr().String(), "err", err)
		}
	})
	return s
}

// pageListener opens the page's address; a port in use costs the page only.
func (d *Daemon) pageListener() net.Listener {
	if d.o.Listener != nil {
		return d.o.Listener
	}
	addr := d.cfg.Load().HTTP.Listen
	if addr == "" {
		return nil
	}
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		d.log.Error("the page cannot be served; watching and warning go on", "addr", addr, "err", err,
			"do", "free the port or change http.listen and restart")
		return nil
	}
	return bounded(ln, maxConns)
}

// listenControl opens a control socket; nil for an empty path. From its first
// moment on only its owner may use it.
func listenControl(path string) (net.Listener, error) {
	if path == "" {
		return nil, nil
	}
	// A socket left by a killed daemon; the store's lock keeps out a second one.
	_ = os.Remove(path)
	lc := net.ListenConfig{Control: func(_, _ string, c syscall.RawConn) error {
		var err error
		cerr := c.Control(func(fd uintptr) { err = unix.Fchmod(int(fd), 0o600) })
		return errors.Join(cerr, err)
	}}
	ln, err := lc.Listen(context.Background(), "unix", path)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(path, 0o600); err != nil {
		_ = ln.Close()
		return nil, err
	}
	return ln, nil
}

func (d *Daemon) controlListener() net.Listener {
	ln, err := listenControl(d.o.ControlPath)
	if err != nil {
		d.log.Error("the control socket cannot be opened; dewline alarm and its like will not work", "path", d.o.ControlPath, "err", err)
		return nil
	}
	return ln
}

// pageHandler serves everything that a browser or another program may ask.
func (d *Daemon) pageHandler(ctx context.Context) http.Handler {
	token, err := secret(d.cfg.Load().HTTP.TokenFile)
	if err != nil {
		d.log.Error("the page's token cannot be read; nothing can be changed over HTTP", "err", err)
	}
	g := &gate{token: token, limit: page.NewLimiter(), refused: func(what, from string) {
		d.noteRefused(ctx, alert.Command{Action: what, By: from}, "without the token")
	}}
	mux := http.NewServeMux()
	mux.Handle("GET /healthz", hardened(d.healthHandler(g)))
	mux.Handle("GET /metrics", hardened(g.reading(d.metricsHandler())))
	mux.Handle("/api/v1/", hardened(g.api(d.apiHandler())))
	mux.Handle("/", d.siteHandler(ctx, g))
	return http.NewCrossOriginProtection().Handler(mux)
}

// tellLeftOut tells what does not work for want of a secret, and of nothing where
// an earlier start left that open. Channels tell of themselves.
func (d *Daemon) tellLeftOut(ctx context.Context) {
	d.post(ctx, func(now sensors.Instant) { d.apply(d.core.LeftOut(now, d.leftOut())) })
}

// leftOut lists what does not work for want of a secret.
func (d *Daemon) leftOut() []string {
	out := d.channels.withoutSecret()
	if _, err := secret(d.cfg.Load().HTTP.TokenFile); err != nil {
		out = append(out, "Nothing can be answered on the page: "+err.Error()+".")
	}
	return out
}

// healthHandler answers 200 only while sampling, rules and record are live.
// Why they are not is told to those who may look.
func (d *Daemon) healthHandler(g *gate) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		h := wire.Health{}
		if s := d.snapshot.Load(); s != nil {
			h.Sampling, h.Record = s.Cycle > 0 && d.Lively(time.Now()), s.Recording
			if g.mayRead(r) {
				h.Note = s.RecordNote
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

func writeJSON(w http.ResponseWriter, code int, v any) {
	b, err := json.Marshal(v)
	if err != nil {
		http.Error(w, "cannot encode the answer: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = w.Write(append(b, '\n'))
}

// writeError answers in one JSON form: {"error": "…"}.
func writeError(w http.ResponseWriter, code int, err error) {
	writeJSON(w, code, wire.Reply{Error: err.Error()})
}

// decodeBody reads a JSON body strictly into v.
func decodeBody(r *http.Request, v any) error {
	dec := json.NewDecoder(r.Body)
	dec.DisallowUnknownFields()
	if err := dec.Decode(v); err != nil {
		return fmt.Errorf("the body is not what is expected here: %w", err)
	}
	if dec.More() {
		return errors.New("the body holds more than one JSON value")
	}
	return nil
}
