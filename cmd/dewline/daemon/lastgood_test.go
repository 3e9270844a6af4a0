package daemon

import (
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"dewline/configs"
	"dewline/sensors/table"
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
	inForce, err := table.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	log := slog.New(slog.DiscardHandler)
	KeepLastGood(inForce, path, dir, log)
	write("[room\n")
	KeepLastGood(inForce, path, dir, log)
	write(good + "\n[[probe]]\nid = \"p-late\"\nfamily = \"simulated\"\nplace = \"room\"\n")
	if _, err := table.Load(path); err != nil {
		t.Fatal(err)
	}
	KeepLastGood(inForce, path, dir, log)
	if text, err := os.ReadFile(kept); err != nil || string(text) != good {
		t.Errorf("kept %d bytes, want the %d in force: %v", len(text), len(good), err)
	}
}

// A reload refuses what a start takes where it is in force: what was watched with goes on.
func TestReloadRefusesALethalLimitInTheWrongUnit(t *testing.T) {
	dir := t.TempDir()
	d := newTestDaemon(t, dir)
	d.o.ConfigPath = filepath.Join(dir, "dewline.toml")
	before, err := table.Decode("f", []byte(realProbes))
	if err != nil {
		t.Fatal(err)
	}
	d.cfg.Store(before)
	text := strings.Replace(realProbes, "[[enclosure]]\n", "[[enclosure]]\nceiling = \"86 °C\"\n", 1)
	if err := os.WriteFile(d.o.ConfigPath, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if d.reload() || d.cfg.Load() != before || !strings.Contains(*d.refused.Load(), "did you mean 86 °F") {
		t.Errorf("refused as %q", *d.refused.Load())
	}
	if err := os.WriteFile(d.o.ConfigPath, []byte(realProbes), 0o600); err != nil {
		t.Fatal(err)
	}
	if d.reload(); d.cfg.Load() == before || *d.refused.Load() != "" {
		t.Errorf("mended, and refused as %q", *d.refused.Load())
	}
}

const realProbes = `[[enclosure]]
id = "a"
species = "dendrobates-auratus"
[[probe]]
id = "p"
family = "iio"
path = "/sys/bus/iio/devices/iio:device0"
place = "canopy"
enclosure = "a"
`

// What is in force is kept for a start, also where a check refuses it by now.
func TestKeepLastGoodOfWhatIsRefused(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "dewline.toml")
	text := strings.Replace(realProbes, "[[enclosure]]\n", "[[enclosure]]\nfloor = \"100 %\"\n", 1)
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	inForce, refused, err := table.LoadInForce(path)
	if err != nil || len(refused) != 1 {
		t.Fatal(refused, err)
	}
	KeepLastGood(inForce, path, dir, slog.New(slog.DiscardHandler))
	if kept, err := os.ReadFile(filepath.Join(dir, LastGoodName)); err != nil || string(kept) != text {
		t.Errorf("kept %q: %v", kept, err)
	}
}
