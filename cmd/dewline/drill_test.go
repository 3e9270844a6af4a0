package main

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"dewline/alert"
)

// A drill that nothing can carry is refused, not announced.
func TestDrill_NoWay(t *testing.T) {
	b := newBenchWith(t, map[string]alert.Channel{})
	code, out, problem := runDewline(t, "drill", "--control", b.socket)
	if code != exitFailed || out != "" || !strings.Contains(problem, "no way to a phone is set up") {
		t.Errorf("%d %q %q", code, out, problem)
	}
	code, _, problem = runDewline(t, "drill", "--control", b.socket, "--person", "nobody")
	if code != exitFailed || !strings.Contains(problem, "no such person") {
		t.Errorf("%d %q", code, problem)
	}
}

// Whatever the wait ends in, the keeper reads that the drill was not answered,
// and not what an unfinished request looks like.
func TestDrill_Unanswered(t *testing.T) {
	code, out, problem := runDewline(t, "drill", "--control", slowDaemon(t, make(chan struct{}, 8)), "--wait", "1200ms")
	if code != exitFailed || !strings.Contains(out, "drill/una/1 is on its way") || !strings.Contains(problem, "not acknowledged within 1.2s") {
		t.Errorf("%d %q %q", code, out, problem)
	}
	asked := make(chan struct{}, 8)
	ctx, interrupt := context.WithCancel(t.Context())
	go func() {
		<-asked
		interrupt()
	}()
	var said, why strings.Builder
	code = dispatch(ctx, []string{"drill", "--control", slowDaemon(t, asked)}, stdio{out: &said, err: &why})
	if code != exitFailed || !strings.Contains(why.String(), "is still out") {
		t.Errorf("interrupted: %d %q", code, why.String())
	}
}

// slowDaemon takes a drill and then answers nothing more.
func slowDaemon(t *testing.T, asked chan<- struct{}) (socket string) {
	t.Helper()
	dir := shortDir(t)
	ln, err := net.Listen("unix", filepath.Join(dir, "s"))
	if err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /api/v1/drill", func(w http.ResponseWriter, _ *http.Request) { fmt.Fprint(w, `{"id":"drill/una/1"}`) })
	mux.HandleFunc("GET /api/v1/room", func(_ http.ResponseWriter, r *http.Request) {
		asked <- struct{}{}
		<-r.Context().Done()
	})
	server := &http.Server{Handler: mux}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(ln) }()
	t.Cleanup(func() {
		_ = server.Close()
		<-ended
	})
	return filepath.Join(dir, "s")
}
