package mqtt

import (
	"fmt"
	"net"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/sensors/remote/mosquitto"
)

// A broker that is never reached is said to be away from the start, with a
// reason in words, whatever keeps it away.
func TestClient_neverReached(t *testing.T) {
	t.Parallel()
	locked := mosquitto.New(t, "allow_anonymous false")
	locked.Start()
	dir := t.TempDir()
	ca := writeCerts(t, dir)
	secure := mosquitto.New(t, "cafile "+ca, "certfile "+filepath.Join(dir, "server.pem"), "keyfile "+filepath.Join(dir, "server.key"))
	secure.Start()
	for _, tt := range []struct{ name, url, why string }{
		{"refused", "tcp://127.0.0.1:1", "connection refused"},
		{"no such name", "tcp://broker.invalid:1883", "lookup broker.invalid"}, // RFC 6761, 6.4
		{"wrong password", locked.URL(), "not authori"},
		{"certificate of nobody", fmt.Sprintf("ssl://127.0.0.1:%d", secure.Port()), "certificate"},
		{"TLS where there is none", fmt.Sprintf("ssl://127.0.0.1:%d", locked.Port()), "connect to broker"},
		{"hangs up", accepting(t, func(c net.Conn) { c.Close() }), "connect to broker"},
		{"never answers", accepting(t, func(net.Conn) {}), "connect to broker"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			states := make(chan error, 64)
			c, _ := client(t, Options{Broker: tt.url, Username: "room", Password: "wrong", OnState: func(down error) { states <- down }})
			if first := <-states; first == nil || !strings.Contains(first.Error(), "not connected since the start") {
				t.Errorf("the first word is %v", first)
			}
			for said, late := error(nil), time.After(patience); said == nil || !strings.Contains(strings.ToLower(said.Error()), tt.why); {
				select { // on a busy machine an attempt may end by its time first
				case said = <-states:
				case <-late:
					t.Fatalf("it says %v at last, want %q", said, tt.why)
				}
			}
			if c.connected() {
				t.Error("connected")
			}
		})
	}
}

// accepting listens and gives every connection to serve; it returns a
// broker's address.
func accepting(t *testing.T, serve func(net.Conn)) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			defer c.Close()
			serve(c)
		}
	}()
	t.Cleanup(func() { l.Close(); <-done })
	return "tcp://" + l.Addr().String()
}
