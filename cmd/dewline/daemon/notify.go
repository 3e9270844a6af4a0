package daemon

import (
	"fmt"
	"net"
	"os"
	"strconv"
	"time"
)

// A notifier tells the service manager how dewline is doing, by the protocol
// of sd_notify(3). Its zero value tells nobody.
type notifier struct{ addr string }

// newNotifier reads the socket that the service manager announced, if any.
func newNotifier() notifier { return notifier{addr: os.Getenv("NOTIFY_SOCKET")} }

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
