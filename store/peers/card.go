package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
)

// A card is a file system of its own on a loop device, so that all that reaches
// the device, journal and metadata included, is counted by the kernel and is
// nobody else's. It needs root.
type card struct{ image, folder, stat string }

// cardBytes is its size; the file behind it is sparse.
const cardBytes = 4 << 30

// insertCard makes an ext4 file system inside dir.
func insertCard(dir string) (*card, error) {
	c := &card{image: filepath.Join(dir, "card"), folder: filepath.Join(dir, "mnt")}
	f, err := os.Create(c.image)
	if err != nil {
		return nil, err
	}
	if err := f.Truncate(cardBytes); err != nil {
		return nil, err
	}
	if err := f.Close(); err != nil {
		return nil, err
	}
	if err := os.Mkdir(c.folder, 0o700); err != nil {
		return nil, err
	}
	// No lazy work: it would go on while the stores write.
	if err := tool("mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", c.image); err != nil {
		return nil, err
	}
	if err := tool("mount", "-o", "loop", c.image, c.folder); err != nil {
		return nil, err
	}
	device, err := exec.Command("findmnt", "-no", "SOURCE", c.folder).Output()
	if err != nil {
		return c, err
	}
	c.stat = filepath.Join("/sys/block", filepath.Base(strings.TrimSpace(string(device))), "stat")
	return c, nil
}

func tool(name string, args ...string) error {
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w: %s", name, err, out)
	}
	return nil
}

// written is what the device has been given to write so far, once the file
// system has nothing left to hand over.
func (c *card) written() (int64, error) {
	if err := tool("sync", "-f", c.folder); err != nil {
		return 0, err
	}
	b, err := os.ReadFile(c.stat)
	if err != nil {
		return 0, err
	}
	const sectorsWritten = 6 // Documentation/block/stat.rst of the kernel; of 512 bytes
	f := strings.Fields(string(b))
	if len(f) <= sectorsWritten {
		return 0, fmt.Errorf("%s is %q", c.stat, b)
	}
	n, err := strconv.ParseInt(f[sectorsWritten], 10, 64)
	return n * 512, err
}

func (c *card) remove() error { return tool("umount", c.folder) }
