package daemon

import (
	"log/slog"
	"net"
	"os"
	"strconv"
	"time"
)

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

// A manager is the service manager that started dewline, which is told how it is doing
// by the protocol of sd_notify(3).
type manager struct {
	addr string // empty for nobody
	log  *slog.Logger
	feed *time.Ticker // nil where nobody asks for signs of life
}

func newManager(log *slog.Logger) *manager {
	m := &manager{addr: os.Getenv("NOTIFY_SOCKET"), log: log}
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

// tell passes one state such as "READY=1".
func (m *manager) tell(state string) {
	if m.addr == "" {
		return
	}
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: m.addr, Net: "unixgram"})
	if err == nil {
		_, err = conn.Write([]byte(state))
		_ = conn.Close()
	}
	if err != nil {
		m.log.Warn("the service manager cannot be told", "state", state, "err", err)
	}
}
