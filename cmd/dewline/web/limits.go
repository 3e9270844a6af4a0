package web

import (
	"net"
	"sync"
)

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
	for _, o := range l.open {
		if o.from == most {
			return o
		}
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
	for i, o := range c.of.open {
		if o == c {
			c.of.open = append(c.of.open[:i], c.of.open[i+1:]...)
			break
		}
	}
	c.of.mu.Unlock()
	return c.Conn.Close()
}
