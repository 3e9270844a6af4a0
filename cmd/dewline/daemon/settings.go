package daemon

import (
	"bytes"
	"os"
	"path/filepath"

	"dewline/cmd/dewline/core"
	"dewline/sensors"
	"dewline/sensors/table"
	"dewline/store"
)

// settingsKey is the key of the configuration in force, as it stood in its file.
const settingsKey = "in-force"

// settingsInForce returns the text of the configuration in force, of which a copy is
// in the data directory; nil for none.
func (d *Daemon) settingsInForce() []byte {
	if d.o.ConfigPath == "" {
		return nil
	}
	text, err := os.ReadFile(filepath.Join(d.o.Dir, LastGoodName))
	if err != nil {
		return nil // told when it could not be kept
	}
	return text
}

// noteSettings tells the journal what was changed in the configuration while
// dewline was not running: the one that was in force then is on record.
func (d *Daemon) noteSettings(now sensors.Instant, st *store.Store) {
	text := d.settingsInForce()
	if text == nil {
		return
	}
	before, err := st.Get(store.BucketConfig, settingsKey)
	if err == nil && bytes.Equal(before, text) {
		return
	}
	var entries []store.JournalEntry
	if len(before) > 0 {
		if old, _, err := table.DecodeInForce("before", before); err == nil {
			entries = core.SettingEntries(now, old, d.cfg.Load())
		}
	}
	d.rec.Put([]store.Doc{{Bucket: store.BucketConfig, Key: settingsKey, Value: text}}, entries)
}
