package daemon

import (
	"context"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"time"

	"dewline/alert"
)

// maxBody is the most that a request may carry, in bytes.
const maxBody = 64 << 10

// startServers serves the page and the control socket, and starts what else
// runs beside the core. The returned function stops all of it.
func (d *Daemon) startServers(ctx context.Context, done *sync.WaitGroup) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	if err := d.links.keepIn(d.o.Dir); err != nil {
		d.log.Warn("links in notices will not survive a restart", "err", err)
	}
	var servers []*http.Server
	if ln := d.pageListener(); ln != nil {
		addr := ln.Addr().String()
		d.pageAddr.Store(&addr)
		servers = append(servers, d.serve(done, ln, d.pageHandler(ctx)))
	}
	if ln := d.controlListener(); ln != nil {
		servers = append(servers, d.serve(done, ln, d.controlHandler()))
	}
	done.Go(func() { d.runRedos(ctx) })
	if d.late != nil {
		done.Go(func() { d.attachLate(ctx) })
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

// serve runs one server until it is shut down.
func (d *Daemon) serve(done *sync.WaitGroup, ln net.Listener, h http.Handler) *http.Server {
	s := &http.Server{
		Handler: http.MaxBytesHandler(h, maxBody), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 20 * time.Second,
		IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
	}
	cfg := d.cfg.Load().HTTP
	done.Go(func() {
		var err error
		if cfg.CertFile != "" && ln.Addr().Network() != "unix" {
			err = s.ServeTLS(ln, cfg.CertFile, cfg.KeyFile)
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
	return ln
}

func (d *Daemon) controlListener() net.Listener {
	if d.o.ControlPath == "" {
		return nil
	}
	// A socket left by a killed daemon; the store's lock keeps out a second one.
	_ = os.Remove(d.o.ControlPath)
	ln, err := net.Listen("unix", d.o.ControlPath)
	if err == nil {
		err = os.Chmod(d.o.ControlPath, 0o600)
	}
	if err != nil {
		d.log.Error("the control socket cannot be opened; dewline ack and its like will not work", "path", d.o.ControlPath, "err", err)
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
	g := &gate{token: token}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /healthz", d.serveHealth)
	mux.Handle("GET /metrics", g.reading(d.metricsHandler()))
	mux.Handle("/api/v1/", g.api(d.apiHandler()))
	mux.Handle("/", d.siteHandler(ctx, g))
	return http.NewCrossOriginProtection().Handler(mux)
}

// serveHealth answers 200 only while sampling, rules and record are live.
func (d *Daemon) serveHealth(w http.ResponseWriter, _ *http.Request) {
	type health struct {
		OK       bool   `json:"ok"`
		Sampling bool   `json:"sampling_and_rules"`
		Record   bool   `json:"record"`
		Note     string `json:"note,omitempty"`
	}
	h := health{}
	if s := d.snapshot.Load(); s != nil {
		h.Sampling, h.Record, h.Note = s.Cycle > 0 && d.Lively(time.Now()), s.Recording, s.RecordNote
	}
	h.OK = h.Sampling && h.Record
	code := http.StatusOK
	if !h.OK {
		code = http.StatusServiceUnavailable
	}
	writeJSON(w, code, h)
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
	writeJSON(w, code, alert.Reply{Error: err.Error()})
}

// A gate decides who may read and who may act. Reading is open on loopback;
// acting needs the token from anywhere.
type gate struct{ token string }

// holds reports whether r carries the token.
func (g *gate) holds(r *http.Request) bool {
	given, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	return ok && g.token != "" && subtle.ConstantTimeCompare([]byte(given), []byte(g.token)) == 1
}

// mayRead reports whether r may look.
func (g *gate) mayRead(r *http.Request) bool { return fromLoopback(r) || g.holds(r) }

// fromLoopback reports whether r comes from this machine, to a name of this
// machine: a page elsewhere that resolves its own name to 127.0.0.1 does not.
func fromLoopback(r *http.Request) bool {
	peer, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return false
	}
	ip := net.ParseIP(peer)
	if ip == nil || !ip.IsLoopback() {
		return false
	}
	host := r.Host
	if h, _, err := net.SplitHostPort(r.Host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	named := net.ParseIP(host)
	return host == "localhost" || (named != nil && named.IsLoopback())
}

var errNeedToken = errors.New("this needs the token: send it as Authorization: Bearer …")

// reading lets through who may look.
func (g *gate) reading(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !g.mayRead(r) {
			writeError(w, http.StatusUnauthorized, errNeedToken)
			return
		}
		h.ServeHTTP(w, r)
	})
}

// api lets through who may look, and for anything but GET who may act.
func (g *gate) api(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		acting := r.Method != http.MethodGet && r.Method != http.MethodHead
		switch {
		case acting && !g.holds(r):
			writeError(w, http.StatusUnauthorized, errNeedToken)
		case !acting && !g.mayRead(r):
			writeError(w, http.StatusUnauthorized, errNeedToken)
		default:
			h.ServeHTTP(w, r)
		}
	})
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
