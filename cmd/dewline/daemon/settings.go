package daemon

import (
	"os"
	"path/filepath"
)

// settingsKey is the key of the configuration in force, as it stood in its file.
const settingsKey = "in-force"

// settingsInForce returns the text of the configuration in force, of which a copy is
// in the data directory; nil for none.
func (rc *record) settingsInForce() []byte {
	if rc.o.ConfigPath == "" {
		return nil
	}
	text, err := os.ReadFile(filepath.Join(rc.o.Dir, LastGoodName))
	if err != nil {
		return nil // told when it could not be kept
	}
	return text
}
