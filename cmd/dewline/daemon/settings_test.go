package daemon

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"dewline/configs"
	"dewline/store"
)

// A setting that was changed while dewline was not running stands in the journal
// like one that was reloaded, with its old value and its new one, once.
func TestSettingsChangedWhileNotRunning(t *testing.T) {
	dir := t.TempDir()
	poll := []byte("poll = \"10 s\"")
	if !bytes.Contains(configs.Demo(), poll) {
		t.Fatalf("the demo's room has no %s", poll)
	}
	slower := bytes.Replace(configs.Demo(), poll, []byte("poll = \"20 s\""), 1)
	var lines []string
	for _, text := range [][]byte{configs.Demo(), configs.Demo(), slower, slower} {
		if err := os.WriteFile(filepath.Join(dir, LastGoodName), text, 0o600); err != nil {
			t.Fatal(err)
		}
		d := newTestDaemon(t, dir)
		d.o.ConfigPath = "/etc/dewline/dewline.toml"
		d.cfg.Store(decode(t, string(text)))
		if _, _, err := d.openRecord(t.Context()); err != nil {
			t.Fatal(err)
		}
		st := d.Store()
		d.loop.noteSettings(at(time.Hour, true), st)
		if !d.record.rec.write(t.Context()) {
			t.Fatal("the record was not written")
		}
		lines = nil
		for e, err := range st.Journal(time.Time{}, time.Time{}) {
			if err != nil {
				t.Fatal(err)
			}
			if l := e.Line(); l.Kind == "setting" {
				lines = append(lines, l.Kind+" "+l.Subject+" "+l.Old+" → "+l.New)
			} else if l.Kind != "limits" {
				t.Errorf("the journal says %+v", l)
			}
		}
		if b, err := st.Get(store.BucketConfig, settingsKey); err != nil || !bytes.Equal(b, text) {
			t.Errorf("%d bytes of the configuration are on record, of %d: %v", len(b), len(text), err)
		}
		if err := st.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	// A poll is silent after three, where nothing else is set.
	if got := strings.Join(lines, "; "); got != "setting room.poll 10 s → 20 s; setting rules.silent_after 30 s → 1 min" {
		t.Errorf("the journal says %q", got)
	}
}
