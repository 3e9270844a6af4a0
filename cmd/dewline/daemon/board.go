package daemon

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

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
