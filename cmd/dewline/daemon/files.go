package daemon

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

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

// A boardID is what tells this one from another with the same room id.
type boardID struct {
	instance string
	former   string // of the board from which this one has its card, empty for none
}

// instanceFile keeps a board's instance, its place and its former instance, a word
// each; of an earlier version only the instance.
const instanceFile = "instance"

// boardOf reads what is kept in dir. A card that was cloned, or that went to
// another board, brings the file along, and so does a copied directory: the board
// or the place is another one then, and so is the instance.
func boardOf(dir, root string, log *slog.Logger) boardID {
	file, place := filepath.Join(dir, instanceFile), placeOf(dir, root)
	text, _ := os.ReadFile(file) // then it is new
	var b boardID
	switch was := strings.Fields(string(text)); {
	case len(was) == 0 || len(was[0]) != 8 || strings.ContainsFunc(was[0], func(r rune) bool { return r < '2' || r > 'z' }):
	case len(was) > 1 && was[1] == place:
		if b.instance = was[0]; len(was) > 2 {
			b.former = was[2]
		}
		return b
	default:
		b.former = was[0]
	}
	b.instance = strings.ToLower(rand.Text()[:8])
	if err := writeFile(file, []byte(strings.TrimSpace(strings.Join([]string{b.instance, place, b.former}, " ")))); err != nil {
		log.Warn("the board's own id cannot be kept; it has another after a restart", "err", err)
	}
	return b
}

// placeOf tells one directory of one board from any other: by its path, the
// system's id (machine-id(5)) and name, and the board's serial number or else the addresses
// that its network devices were made with, as sysfs has them (Linux,
// Documentation/ABI/testing/sysfs-class-net: address, addr_assign_type 0). root is /
// but in tests.
func placeOf(dir, root string) string {
	read := func(name string) string {
		text, _ := os.ReadFile(filepath.Join(root, name)) // then there is none
		return strings.Trim(string(text), "\x00 \n")
	}
	if abs, err := filepath.Abs(dir); err == nil {
		dir = abs
	}
	marks := []string{dir, read("etc/machine-id"), read("proc/sys/kernel/hostname"), read("sys/firmware/devicetree/base/serial-number")}
	if marks[3] == "" {
		devices, _ := filepath.Glob(filepath.Join(root, "sys/class/net/*"))
		for _, d := range devices {
			d = filepath.Join("sys/class/net", filepath.Base(d))
			if a := read(d + "/address"); read(d+"/addr_assign_type") == "0" && strings.Trim(a, "0:") != "" {
				marks = append(marks, a)
			}
		}
		slices.Sort(marks[4:])
	}
	sum := sha256.Sum256([]byte(strings.Join(marks, "\n")))
	return hex.EncodeToString(sum[:8])
}
