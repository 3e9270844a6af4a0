// Package built is the program for tests that run it as a process. Nothing but tests
// imports it.
package built

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"sync"
	"testing"
)

// Dewline is the path of the program as the go command keeps it for go run: linked only
// where something changed, and by whichever package asks first.
func Dewline(t testing.TB) string {
	t.Helper()
	path, err := kept()
	if err != nil {
		t.Fatal(err)
	}
	return path
}

var kept = sync.OnceValues(func() (string, error) {
	for range 2 { // what it links for the first time it does not keep at the place that it names
		cmd := exec.Command("go", "run", "-exec", "echo", "dewline/cmd/dewline")
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		if err != nil {
			return "", fmt.Errorf("build the program: %w", err)
		}
		path := strings.TrimSpace(string(out))
		if _, err := os.Stat(path); err == nil {
			return path, nil
		}
	}
	return "", errors.New("the go command keeps no program that it ran, as it does since 1.24")
})
