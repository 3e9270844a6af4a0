package daemon

import (
	"fmt"
	"log/slog"
	"net"
	"os"
	"strconv"
	"time"
)

// A notifier tells the service manager how dewline is doing, by the protocol
// of sd_notify(3). Its zero value tells nobody.
type notifier struct{ addr string }

// send passes one state such as "READY=1".
func (n notifier) send(state string) error {
	if n.addr == "" {
		return nil
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: n.addr, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("tell the service manager %q: %w", state, err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte(state)); err != nil {
		return fmt.Errorf("tell the service manager %q: %w", state, err)
	}
	return nil
}

// watchdogInterval returns half of the time that the service manager allows
// between signs of life, as sd_watchdog_enabled(3) advises, or 0 for none.
func watchdogInterval() time.Duration {
	usec, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	if err != nil || usec <= 0 {
		return 0
	}
	if pid := os.Getenv("WATCHDOG_PID"); pid != "" && pid != strconv.Itoa(os.Getpid()) {
		return 0
	}
	return time.Duration(usec) * time.Microsecond / 2
}

// A manager is the service manager that started dewline; nobody where there is
// none.
type manager struct {
	notifier
	log  *slog.Logger
	feed *time.Ticker // nil where nobody asks for signs of life
}

// newManager reads what the service manager announced, if anything.
func newManager(log *slog.Logger) *manager {
	m := &manager{notifier: notifier{addr: os.Getenv("NOTIFY_SOCKET")}, log: log}
	if every := watchdogInterval(); every > 0 && m.addr != "" {
		m.feed = time.NewTicker(every)
	}
	return m
}

// C asks for a sign of life, WATCHDOG=1; nil where nobody wants one. Without it
// the manager starts dewline anew, so it is given on evidence only.
func (m *manager) C() <-chan time.Time {
	if m.feed == nil {
		return nil
	}
	return m.feed.C
}

// tell passes a state.
func (m *manager) tell(state string) {
	if err := m.send(state); err != nil {
		m.log.Warn("the service manager cannot be told", "err", err)
	}
}
