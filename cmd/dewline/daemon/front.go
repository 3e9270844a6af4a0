package daemon

import (
	"fmt"
	"log/slog"
	"net"
)

// A front is where the page is served. Only the goroutine of Run touches it.
type front struct {
	log   *slog.Logger
	start func(net.Listener) (end func()) // serves the page as the configuration in force has it
	ln    net.Listener                    // that is open; nil for none
	end   func()                          // ends the server; nil for none
}

// open opens an address; none for an empty one.
func (f *front) open(addr string) error {
	if f.ln != nil || addr == "" {
		return nil
	}
	ln, err := net.Listen("tcp", addr)
	if err != nil {
		return fmt.Errorf("http.listen: the page cannot be served: %w; free the port or name another", err)
	}
	f.ln = ln
	return nil
}

func (f *front) serve() {
	if f.ln != nil && f.end == nil {
		f.end = f.start(f.ln)
	}
}

// move opens another address, or the old one again where that cannot be opened.
func (f *front) move(was, to string) error {
	f.close()
	err := f.open(to)
	if err != nil {
		if again := f.open(was); again != nil {
			f.log.Error("nobody can open the page; watching and warning go on", "err", again)
		}
		f.serve()
	}
	return err
}

func (f *front) close() {
	if f.end != nil {
		f.end()
	}
	f.ln, f.end = nil, nil
}
