package daemon

import (
	"context"
	"log/slog"
	"path/filepath"
	"strings"
	"testing"

	"dewline/sensors/table"
)

// A sentinel that cannot watch ends with the reason, not as if somebody had
// stopped it.
func TestRunSentinel_CannotWatch(t *testing.T) {
	cfg, err := table.Decode("s", []byte("[sentinel]\nrooms = [\"den\"]\n[mqtt]\nbroker = \"tcp://127.0.0.1:1\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	cfg.MQTT.Broker = "" // past the checks
	o := SentinelOptions{Config: cfg, Dir: t.TempDir(), Log: slog.New(slog.DiscardHandler)}
	if err := RunSentinel(t.Context(), o); err == nil || !strings.Contains(err.Error(), "watch the rooms") {
		t.Errorf("got %v", err)
	}
	cfg.MQTT.Broker = "tcp://127.0.0.1:1" // nobody answers there
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- RunSentinel(ctx, o) }()
	stop()
	if err := <-ended; err != nil {
		t.Errorf("stopped: %v", err)
	}
}

// A sentinel without its password goes on, so that its other channels tell that
// it watches nothing.
func TestRunSentinel_WithoutItsSecret(t *testing.T) {
	cfg, err := table.Decode("s", []byte("[sentinel]\nrooms = [\"den\"]\n[mqtt]\nbroker = \"tcp://127.0.0.1:1\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	cfg.MQTT.PasswordFile = filepath.Join(t.TempDir(), "missing")
	log := &lockedBuffer{}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() {
		ended <- RunSentinel(ctx, SentinelOptions{Config: cfg, Dir: t.TempDir(), Log: slog.New(slog.NewTextHandler(log, nil))})
	}()
	soon(t, "the log says what is missing", func() bool {
		return strings.Contains(log.String(), "a channel cannot work") && strings.Contains(log.String(), "there is no file")
	})
	stop()
	if err := <-ended; err != nil {
		t.Errorf("it ended by itself: %v", err)
	}
}
