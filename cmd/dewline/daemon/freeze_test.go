package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/sensors/table"
)

// freezing is a source that notes what its judges are told.
type freezing struct {
	Source
	after []time.Duration
}

func (f *freezing) FreezeAfter(d time.Duration) { f.after = append(f.after, d) }

// A reload that changes no probe keeps the source and its judges, who must hear
// of a changed frozen_after as the rules do.
func TestReloadTellsTheJudgesHowLongToBelieve(t *testing.T) {
	path := filepath.Join(t.TempDir(), "room.toml")
	data, err := os.ReadFile("../../../configs/example.toml")
	if err != nil {
		t.Fatal(err)
	}
	example := string(data)
	text := strings.Replace(example, "[rules]", "[rules]\nfrozen_after = \"3 h\"", 1)
	if old := "\nfrozen_after = \"6 h\""; strings.Contains(text, old) {
		text = strings.Replace(text, old, "", 1)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := table.Decode("room.toml", []byte(example))
	if err != nil {
		t.Fatal(err)
	}
	src := &freezing{}
	d, err := New(Options{
		Config: cfg, ConfigPath: path, Dir: t.TempDir(), Source: samplers(nil),
	})
	if err != nil {
		t.Fatal(err)
	}
	d.probes.source = src
	if d.reload() {
		t.Error("a new source is asked for, though no probe changed")
	}
	if len(src.after) != 1 || src.after[0] != 3*time.Hour {
		t.Errorf("the judges were told %v, want 3 h once", src.after)
	}
}
