package daemon

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"time"

	"dewline/configs"
	"dewline/sensors"
	"dewline/store"
)

// LastGoodName is the file in the data directory that holds the configuration
// that was last put in force.
const LastGoodName = "last-good.toml"

// reload reads the configuration again and puts it in force if it has no
// fault. It reports whether the probes changed, so that a new source is needed.
func (d *Daemon) reload() bool {
	if d.o.ConfigPath == "" {
		d.log.Warn("there is no configuration file to reload")
		return false
	}
	next, err := configs.Load(d.o.ConfigPath)
	if err == nil {
		err = Watchable(next)
	}
	if err != nil {
		d.log.Error("the new configuration has faults; the old one stays in force", "file", d.o.ConfigPath, "faults", err)
		d.refuse(err.Error())
		return false
	}
	old := d.cfg.Swap(next)
	if st := d.currentStore(); st != nil {
		st.SetLimits(limitsOf(next))
	}
	KeepLastGood(next, d.o.ConfigPath, d.o.Dir, d.log)
	now := time.Now()
	d.loadedAt.Store(&now)
	d.refuse("")
	d.in <- input{kind: isCall, call: func(now sensors.Instant) {
		d.apply(d.core.Reconfigure(now, next, d.ackLink))
		entries := []store.JournalEntry{{At: now, Kind: "configuration", Who: "keeper", Subject: d.o.ConfigPath, New: "in force"}}
		var docs []store.Doc
		if text := d.settingsInForce(); text != nil {
			docs = append(docs, store.Doc{Bucket: store.BucketConfig, Key: settingsKey, Value: text})
		}
		d.rec.Put(docs, append(entries, settingEntries(now, old, next)...))
	}}
	for _, section := range needRestart(d.o.Config, next) {
		d.log.Warn("this section takes effect at the next start", "section", section, "do", "systemctl restart dewline")
	}
	d.log.Info("the new configuration is in force", "file", d.o.ConfigPath)
	return !reflect.DeepEqual(old.Probes, next.Probes) || old.Room.Poll != next.Room.Poll
}

// refuse notes that the file was refused, or that it no longer is.
func (d *Daemon) refuse(why string) {
	was := *d.refused.Swap(&why)
	if was == why {
		return
	}
	d.in <- input{kind: isCall, call: func(now sensors.Instant) {
		d.apply(d.core.ConfigRefused(now, why))
		if why != "" {
			d.rec.Put(nil, []store.JournalEntry{{At: now, Kind: "configuration", Who: "keeper", Subject: d.o.ConfigPath, New: "refused", Why: why}})
		}
	}}
}

// needRestart names the sections that differ and are only read at a start.
func needRestart(a, b *configs.Config) []string {
	var out []string
	for _, s := range []struct {
		name string
		a, b any
	}{
		{"mqtt", a.MQTT, b.MQTT}, {"http", a.HTTP, b.HTTP}, {"store", a.Store, b.Store}, {"mail", a.Mail, b.Mail},
		{"webhook", a.Webhooks, b.Webhooks}, {"heartbeat", a.Outside, b.Outside}, {"room.id", a.Room.ID, b.Room.ID},
	} {
		if !reflect.DeepEqual(s.a, s.b) {
			out = append(out, s.name)
		}
	}
	return out
}

// KeepLastGood copies the file of the configuration that is in force into the data
// directory, for a start that finds the file at fault. A file that was changed
// since it was read is left to the reload that follows the change.
func KeepLastGood(inForce *configs.Config, path, dir string, log *slog.Logger) {
	text, err := os.ReadFile(path)
	if err == nil {
		if again, _, fault := configs.DecodeInForce(path, text); fault != nil || !reflect.DeepEqual(again, inForce) {
			log.Warn("the configuration was changed while it was being read", "file", path, "do", "systemctl reload dewline")
			return
		}
		err = writeFile(filepath.Join(dir, LastGoodName), text)
	}
	if err != nil {
		log.Warn("a copy of the configuration cannot be kept for a start with a faulty one", "err", err)
	}
}

// writeFile replaces the file at path by one that holds b, all at once.
func writeFile(path string, b []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return err
	}
	_, werr := f.Write(b)
	serr := f.Sync()
	cerr := f.Close()
	if err := errors.Join(werr, serr, cerr); err != nil {
		_ = os.Remove(f.Name())
		return fmt.Errorf("write %s: %w", f.Name(), err)
	}
	return os.Rename(f.Name(), path)
}
