package web

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"slices"
	"sync"
	"syscall"
	"time"

	"dewline/alert"
	"dewline/alert/page"

	"golang.org/x/sys/unix"
)

const maxBody = 64 << 10

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

// serve runs one server until it is shut down; with a certificate over TLS.
func serve(done *sync.WaitGroup, ln net.Listener, h http.Handler, cert *Certificate, log *slog.Logger) *http.Server {
	s := newServer(h, log)
	if cert != nil {
		s.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12, GetCertificate: cert.Get}
	}
	done.Go(func() {
		var err error
		if cert != nil {
			err = s.ServeTLS(ln, "", "")
		} else {
			err = s.Serve(ln)
		}
		if !errors.Is(err, http.ErrServerClosed) {
			log.Error("a server ended; watching and warning go on", "addr", ln.Addr().String(), "err", err)
		}
	})
	return s
}

// stop ends a server, and what is asked for longer than two seconds more.
func stop(s *http.Server) {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	if err := s.Shutdown(ctx); err != nil {
		_ = s.Close()
	}
}

// StartControl serves the control socket. The returned function stops that; done
// ends then.
func (s *Site) StartControl(done *sync.WaitGroup) (end func()) {
	return ServeControl(s.o.ControlPath, s.control(), s.log, done)
}

// StartPage serves the page at an address that Listen opened, as the configuration
// in force has it. The returned function stops that and every stream that is open,
// and closes the address; done ends then.
func (s *Site) StartPage(ctx context.Context, done *sync.WaitGroup, ln net.Listener) (end func()) {
	ctx, cancel := context.WithCancel(ctx)
	addr := ln.Addr().String()
	s.addr.Store(&addr)
	s.log.Debug("the page is open", "addr", addr)
	server := serve(done, bounded(ln, maxConns, maxConnsEach), s.Page(ctx), s.certificate(), s.log)
	return func() {
		cancel()
		stop(server)
		s.addr.Store(nil)
	}
}

// Addr returns the address that the page is served on, empty for none.
func (s *Site) Addr() string {
	if p := s.addr.Load(); p != nil {
		return *p
	}
	return ""
}

// certificate is what the page is shown with; nil for none.
func (s *Site) certificate() *Certificate {
	cfg := s.room.Config().HTTP
	if cfg.CertFile == "" {
		return nil
	}
	cert := &Certificate{CertFile: cfg.CertFile, KeyFile: cfg.KeyFile}
	if _, err := cert.Get(nil); err != nil {
		s.log.Error("nobody can open the page until its certificate can be read", "err", err)
	}
	return cert
}

// listenControl lets only its owner use the socket from its first moment on.
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
	return lc.Listen(context.Background(), "unix", path)
}

// ServeControl serves h on a control socket, for the commands of this board; an
// empty path is none. The returned function stops that.
func ServeControl(path string, h http.Handler, log *slog.Logger, done *sync.WaitGroup) (end func()) {
	ln, err := listenControl(path)
	if err != nil {
		log.Error("the control socket cannot be opened; dewline alarm and its like will not work", "path", path, "err", err)
	}
	if ln == nil {
		return func() {}
	}
	server := serve(done, ln, h, nil, log)
	return func() { stop(server) }
}

// Page serves everything that a browser or another program may ask.
func (s *Site) Page(ctx context.Context) http.Handler {
	cfg := s.room.Config().HTTP
	shared, err := s.o.Secret(cfg.TokenFile)
	if err != nil {
		s.log.Error("the page's token cannot be read; nothing can be changed over HTTP with it", "err", err)
	}
	tokens := page.Tokens{Shared: shared}
	if cfg.TokensFile != "" {
		tokens.List = func() (string, error) { return s.o.Secret(cfg.TokensFile) }
		text, err := tokens.List()
		if err == nil {
			_, err = page.ParseTokens(text)
		}
		if err != nil {
			s.log.Error("tokens of the page cannot be read; those let nobody in", "file", cfg.TokensFile, "err", err)
		}
	}
	g := &gate{tokens: tokens, limit: page.NewLimiter(), refused: func(what, from string) {
		s.hands.Refuse(ctx, alert.Command{Action: what, By: from}, "without the token")
	}}
	mux := http.NewServeMux()
	mux.Handle("GET /healthz", hardened(s.healthHandler(g)))
	mux.Handle("GET /metrics", hardened(g.reading(s.metricsHandler())))
	mux.Handle("/api/v1/", hardened(g.api(s.API())))
	mux.Handle("/", s.siteHandler(g))
	return behind(cfg.Proxy, http.NewCrossOriginProtection().Handler(mux))
}

// A Certificate is the page's certificate, read for every connection, so that a renewed
// one needs no restart.
type Certificate struct {
	CertFile, KeyFile string

	mu   sync.Mutex // guards pair
	pair *tls.Certificate
}

// Get implements tls.Config.GetCertificate. While a new file cannot be read
// the old certificate is used.
func (p *Certificate) Get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	pair, err := tls.LoadX509KeyPair(p.CertFile, p.KeyFile)
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case err == nil:
		p.pair = &pair
	case p.pair == nil:
		return nil, fmt.Errorf("read the page's certificate: %w", err)
	}
	return p.pair, nil
}

// How many connections the page may have at once, in all and from one address.
// A small board has memory for so many, and its own commands use the control
// socket.
const (
	maxConns     = 256
	maxConnsEach = 32
)

// A boundedListener has no more than a number of connections open, and of one
// address but this board's. For a new one beyond that the oldest goes: of the same
// address, or of the one that has the most, so that nobody can keep others out.
type boundedListener struct {
	net.Listener
	most, each int

	mu   sync.Mutex // guards open
	open []*boundedConn
}

func bounded(ln net.Listener, most, each int) net.Listener {
	return &boundedListener{Listener: ln, most: most, each: each}
}

// Accept waits for a connection and makes room for it.
func (l *boundedListener) Accept() (net.Conn, error) {
	c, err := l.Listener.Accept()
	if err != nil {
		return nil, err
	}
	b := &boundedConn{Conn: c, of: l}
	if host, _, err := net.SplitHostPort(c.RemoteAddr().String()); err == nil {
		b.from = host
		if ip := net.ParseIP(host); ip != nil {
			b.local = ip.IsLoopback()
		}
	}
	l.mu.Lock()
	victim := l.victim(b)
	l.open = append(l.open, b)
	l.mu.Unlock()
	if victim != nil {
		_ = victim.Close()
	}
	return b, nil
}

// victim returns the connection that has to go for c; nil for none.
func (l *boundedListener) victim(c *boundedConn) *boundedConn {
	count := map[string]int{}
	most := ""
	for _, o := range l.open {
		if count[o.from]++; count[o.from] > count[most] {
			most = o.from
		}
	}
	switch {
	case !c.local && count[c.from] >= l.each:
		most = c.from
	case len(l.open) < l.most:
		return nil
	}
	if i := slices.IndexFunc(l.open, func(o *boundedConn) bool { return o.from == most }); i >= 0 {
		return l.open[i]
	}
	return nil
}

type boundedConn struct {
	net.Conn
	of    *boundedListener
	from  string
	local bool
}

// Close frees the place.
func (c *boundedConn) Close() error {
	c.of.mu.Lock()
	c.of.open = slices.DeleteFunc(c.of.open, func(o *boundedConn) bool { return o == c })
	c.of.mu.Unlock()
	return c.Conn.Close()
}
