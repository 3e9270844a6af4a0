package daemon

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"dewline/configs"
)

// What is kept for a bad day is what is in force, not what the file has become
// between its reading and its copying.
func TestKeepLastGood(t *testing.T) {
	dir := t.TempDir()
	path, kept := filepath.Join(dir, "dewline.toml"), filepath.Join(dir, LastGoodName)
	good := string(configs.Demo())
	write := func(text string) {
		t.Helper()
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write(good)
	inForce, err := configs.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.DiscardHandler)
	KeepLastGood(inForce, path, dir, log)
	write("[room\n")
	KeepLastGood(inForce, path, dir, log)
	write(good + "\n[[probe]]\nid = \"p-late\"\nfamily = \"simulated\"\nplace = \"room\"\n")
	if _, err := configs.Load(path); err != nil {
		t.Fatal(err)
	}
	KeepLastGood(inForce, path, dir, log)
	if text, err := os.ReadFile(kept); err != nil || string(text) != good {
		t.Errorf("kept %d bytes, want the %d in force: %v", len(text), len(good), err)
	}
}
