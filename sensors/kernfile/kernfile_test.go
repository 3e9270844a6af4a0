package kernfile

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"dewline/sensors"
)

func TestReadsAndTrims(t *testing.T) {
	path := filepath.Join(t.TempDir(), "temperature")
	if err := os.WriteFile(path, []byte("23125\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	var r Reader
	for range 2 {
		if got, err := r.Read(t.Context(), path); err != nil || got != "23125" {
			t.Fatalf("Read = %q, %v", got, err)
		}
	}
}

func TestMissingFileSaysWhatToDo(t *testing.T) {
	var r Reader
	_, err := r.Read(t.Context(), filepath.Join(t.TempDir(), "gone"))
	if !errors.Is(err, fs.ErrNotExist) || sensors.ReasonOf(err) != sensors.BusError || !strings.Contains(err.Error(), "overlay") {
		t.Fatalf("err = %v", err)
	}
}

func TestRefusesALargeFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "big")
	if err := os.WriteFile(path, make([]byte, limit+1), 0o600); err != nil {
		t.Fatal(err)
	}
	var r Reader
	if _, err := r.Read(t.Context(), path); sensors.ReasonOf(err) != sensors.Malformed {
		t.Fatalf("err = %v", err)
	}
}

// A named pipe without a writer stands for a driver that hangs: opening it
// blocks until somebody writes.
func TestHangingReadEndsWithItsContextAndHoldsOneGoroutine(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	if err := syscall.Mkfifo(path, 0o600); err != nil {
		t.Skipf("no named pipes here: %v", err)
	}
	var r Reader
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Millisecond)
	defer cancel()
	if _, err := r.Read(ctx, path); sensors.ReasonOf(err) != sensors.TimedOut || !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("first read: %v", err)
	}
	if _, err := r.Read(t.Context(), path); sensors.ReasonOf(err) != sensors.TimedOut || !strings.Contains(err.Error(), "still busy") {
		t.Fatalf("second read: %v", err)
	}
	w, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	w.Close()
	r.pending <- <-r.pending // it has ended
	other := filepath.Join(t.TempDir(), "ok")
	if err := os.WriteFile(other, []byte("1"), 0o600); err != nil {
		t.Fatal(err)
	}
	if got, err := r.Read(t.Context(), other); err != nil || got != "1" {
		t.Fatalf("after the hang: %q, %v", got, err)
	}
}
