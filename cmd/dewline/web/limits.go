package web

import (
	"net"
	"sync"
)

// maxConns is how many connections the page may have at once. A small board
// has memory for so many, and its own commands use the control socket.
const maxConns = 256

// A boundedListener has no more than a number of connections open; further
// ones wait in the kernel's queue.
type boundedListener struct {
	net.Listener
	free chan struct{}
	done chan struct{}
	once sync.Once
}

func bounded(ln net.Listener, n int) net.Listener {
	return &boundedListener{Listener: ln, free: make(chan struct{}, n), done: make(chan struct{})}
}

// Accept waits for a connection and for room for it.
func (l *boundedListener) Accept() (net.Conn, error) {
	select {
	case l.free <- struct{}{}:
	case <-l.done:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.free
		return nil, err
	}
	return &boundedConn{Conn: c, release: sync.OnceFunc(func() { <-l.free })}, nil
}

// Close stops accepting; open connections go on.
func (l *boundedListener) Close() error {
	l.once.Do(func() { close(l.done) })
	return l.Listener.Close()
}

type boundedConn struct {
	net.Conn
	release func()
}

// Close frees the place.
func (c *boundedConn) Close() error {
	defer c.release()
	return c.Conn.Close()
}
