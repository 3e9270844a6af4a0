package daemon

import (
	"os"
	"path/filepath"

	"dewline/configs"
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
