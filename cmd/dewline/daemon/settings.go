package daemon

import (
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"

	"dewline/configs"
	"dewline/sensors/table"
)

// settingsKey is the key of the configuration in force, with its secrets hidden.
const settingsKey = "in-force"

// settingsInForce returns the text of the configuration in force, of which a copy is
// in the data directory, with its secrets hidden: the record goes into backups. Nil
// for none.
func (rc *record) settingsInForce() []byte {
	if rc.o.ConfigPath == "" {
		return nil
	}
	text, err := os.ReadFile(filepath.Join(rc.o.Dir, LastGoodName))
	if err != nil {
		return nil // told when it could not be kept
	}
	return configs.Masked(text)
}

// LastGoodName is the file in the data directory that holds the configuration
// that was last put in force.
const LastGoodName = "last-good.toml"

// KeepLastGood copies the file of the configuration that is in force into the data
// directory, for a start that finds the file at fault. A file that was changed
// since it was read is left to the reload that follows the change.
func KeepLastGood(inForce *configs.Config, path, dir string, log *slog.Logger) {
	text, err := os.ReadFile(path)
	if err == nil {
		if again, _, fault := table.DecodeInForce(path, text); fault != nil || !reflect.DeepEqual(again, inForce) {
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
