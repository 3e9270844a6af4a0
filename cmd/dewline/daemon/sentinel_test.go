package daemon

import (
	"context"
	"log/slog"
	"strings"
	"testing"

	"dewline/configs"
)

// A sentinel that cannot watch ends with the reason, not as if somebody had
// stopped it.
func TestRunSentinel_CannotWatch(t *testing.T) {
	cfg, err := configs.Decode("s", []byte("[sentinel]\nrooms = [\"den\"]\n[mqtt]\nbroker = \"tcp://127.0.0.1:1\"\n"))
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
