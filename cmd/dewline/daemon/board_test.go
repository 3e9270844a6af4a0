package daemon

import (
	"log/slog"
	"os"
	"path/filepath"
	"testing"
)

// A board keeps its instance over starts; a clone of its card in another board, the
// same card in another board and a copy of the directory have one of their own, and
// know the one before.
func TestBoardOf(t *testing.T) {
	log := slog.New(slog.DiscardHandler)
	sysOf := func(files map[string]string) string {
		sys := t.TempDir()
		for name, text := range files {
			if err := os.MkdirAll(filepath.Dir(filepath.Join(sys, name)), 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(filepath.Join(sys, name), []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		return sys
	}
	net := func(address, assigned string) map[string]string {
		return map[string]string{"sys/class/net/eth0/address": address + "\n", "sys/class/net/eth0/addr_assign_type": assigned + "\n", "sys/class/net/lo/address": "00:00:00:00:00:00\n", "sys/class/net/lo/addr_assign_type": "0\n"}
	}
	dir, first := t.TempDir(), sysOf(net("02:00:5e:10:00:01", "0"))
	own := boardOf(dir, first, log)
	if own.instance == "" || own.former != "" {
		t.Fatalf("a new board is %+v", own)
	}
	if again := boardOf(dir, first, log); again != own {
		t.Errorf("after a start %+v, before %+v", again, own)
	}
	copyOf := func(dir string) string {
		to := t.TempDir()
		text, err := os.ReadFile(filepath.Join(dir, instanceFile))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(to, instanceFile), text, 0o600); err != nil {
			t.Fatal(err)
		}
		return to
	}
	for name, sys := range map[string]string{
		"another network device": sysOf(net("02:00:5e:10:00:02", "0")),
		"another serial number":  sysOf(map[string]string{"sys/firmware/devicetree/base/serial-number": "10000000aaaaaaaa\x00"}),
		"another system":         sysOf(map[string]string{"etc/machine-id": "0123456789abcdef0123456789abcdef\n"}),
		"a copied container":     sysOf(map[string]string{"proc/sys/kernel/hostname": "5e10\n"}),
		"a copy beside it":       first,
	} {
		if err := os.WriteFile(filepath.Join(dir, instanceFile), []byte(own.instance+" "+placeOf(dir, first)), 0o600); err != nil {
			t.Fatal(err)
		}
		at := dir
		if sys == first {
			at = copyOf(dir)
		}
		clone := boardOf(at, sys, log)
		if clone.instance == own.instance || clone.former != own.instance {
			t.Errorf("%s: %+v, the first is %+v", name, clone, own)
		}
		if again := boardOf(at, sys, log); again != clone {
			t.Errorf("%s: after a start %+v, before %+v", name, again, clone)
		}
	}
	random := sysOf(net("02:00:5e:10:00:03", "3"))
	if placeOf(dir, random) != placeOf(dir, sysOf(net("02:00:5e:10:00:04", "3"))) {
		t.Error("an address that is made up at each start makes another board")
	}
	if err := os.WriteFile(filepath.Join(dir, instanceFile), []byte("abcdefgh"), 0o600); err != nil { // of an earlier version
		t.Fatal(err)
	}
	if b := boardOf(dir, first, log); b.former != "abcdefgh" || b.instance == "abcdefgh" {
		t.Errorf("with the file of an earlier version %+v", b)
	}
}
