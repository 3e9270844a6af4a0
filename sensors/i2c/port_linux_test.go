package i2c

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"

	"dewline/sensors"
)

// kernel stands for the ioctl of a bus: it follows the pointers as the kernel
// would, keeps what was written and fills what is read with 0xA5.
type kernel struct {
	requests []uint
	args     []uintptr
	written  []byte
	shape    []string
	err      error
}

func (k *kernel) ioctl(_ int, request uint, arg uintptr) error {
	k.requests = append(k.requests, request)
	k.args = append(k.args, arg)
	if request != i2cRdwr || k.err != nil {
		return k.err
	}
	block := *(**rdwr)(unsafe.Pointer(&arg))
	k.shape, k.written = nil, nil
	for _, m := range unsafe.Slice(block.msgs, block.nmsgs) {
		if m.flags&flagRead == 0 {
			k.shape = append(k.shape, "write")
			k.written = append(k.written, unsafe.Slice(m.buf, m.len)...)
			continue
		}
		k.shape = append(k.shape, "read")
		for i := range unsafe.Slice(m.buf, m.len) {
			unsafe.Slice(m.buf, m.len)[i] = 0xA5
		}
	}
	return nil
}

// The sizes and offsets are those of linux/i2c.h and linux/i2c-dev.h: three
// 16-bit fields, then a pointer at its own alignment.
func TestMessageLayout(t *testing.T) {
	word := unsafe.Sizeof(uintptr(0))
	if got := unsafe.Offsetof(message{}.buf); got != 8 {
		t.Errorf("buf at %d, want 8", got)
	}
	if got, want := unsafe.Sizeof(message{}), 8+word; got != want {
		t.Errorf("message of %d bytes, want %d", got, want)
	}
	if got, want := unsafe.Sizeof(rdwr{}), 2*word; got != want {
		t.Errorf("rdwr of %d bytes, want %d", got, want)
	}
}

func TestTransferBuildsOneTransaction(t *testing.T) {
	for _, c := range []struct {
		w, r  int
		shape string
	}{{2, 0, "write"}, {0, 3, "read"}, {1, 6, "write read"}, {0, 0, "write"}} {
		k := &kernel{}
		p := &devPort{ioctl: k.ioctl}
		w, r := bytes.Repeat([]byte{0x3C}, c.w), make([]byte, c.r)
		if err := p.transfer(0x44, w, r); err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(k.shape, " "); got != c.shape {
			t.Errorf("%d+%d bytes: %q, want %q", c.w, c.r, got, c.shape)
		}
		if !bytes.Equal(k.written, w) || !bytes.Equal(r, bytes.Repeat([]byte{0xA5}, c.r)) {
			t.Errorf("%d+%d bytes: wrote % x, read % x", c.w, c.r, k.written, r)
		}
	}
}

func TestLimitsAreSetInTensOfMilliseconds(t *testing.T) {
	k := &kernel{}
	p := &devPort{ioctl: k.ioctl}
	if err := p.setLimits(); err != nil {
		t.Fatal(err)
	}
	if len(k.args) != 2 || k.requests[0] != i2cTimeout || k.args[0] != 10 || k.requests[1] != i2cRetries || k.args[1] != 0 {
		t.Errorf("requests %#x with %d", k.requests, k.args)
	}
	k.err = unix.ENOTTY
	if err := p.setLimits(); !errors.Is(err, unix.ENOTTY) {
		t.Errorf("err = %v", err)
	}
}

// The error numbers are those of Documentation/i2c/fault-codes.rst.
func TestKernelErrorsAreClassified(t *testing.T) {
	for errno, want := range map[unix.Errno]error{
		unix.ENXIO: ErrNoAnswer, unix.EREMOTEIO: ErrNoAnswer,
		unix.ETIMEDOUT: ErrStuck, unix.EBUSY: ErrStuck, unix.EAGAIN: ErrStuck,
		unix.ENODEV: errGone, unix.EBADF: errGone, unix.EIO: unix.EIO,
	} {
		k := &kernel{err: errno}
		err := (&devPort{ioctl: k.ioctl}).transfer(0x44, []byte{1}, nil)
		if !errors.Is(err, want) || !errors.Is(err, errno) {
			t.Errorf("%v became %v", errno, err)
		}
	}
}

func TestOpeningTellsWhatToDo(t *testing.T) {
	// A device filter of a control group refuses with EPERM, whatever the mode
	// and the group of the file (systemd.resource-control(5), DeviceAllow).
	for errno, want := range map[syscall.Errno]string{
		unix.EACCES: "group i2c", unix.ENOENT: "switched on", unix.EPERM: "DeviceAllow=/dev/i2c-3 rw",
	} {
		if err := describeOpen("/dev/i2c-3", errno); !strings.Contains(err.Error(), want) || !errors.Is(err, errno) {
			t.Errorf("%v: %v, want %q", errno, err, want)
		}
	}
	// A file that is no bus must not be taken for one.
	path := filepath.Join(t.TempDir(), "i2c-1")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := Open(path)
	// qemu-user, under which this runs for other boards, knows no such request.
	if !errors.Is(err, unix.ENOTTY) && !errors.Is(err, unix.ENOSYS) || sensors.ReasonOf(err) != sensors.BusError {
		t.Errorf("err = %v", err)
	}
}

// Callers wait for the lock with their buffers on stacks that a collection may
// move meanwhile. The kernel must still get each one's own bytes.
func TestContendedTransfersKeepTheirBuffers(t *testing.T) {
	k := &kernel{}
	slow := func(fd int, request uint, arg uintptr) error {
		runtime.GC()
		return k.ioctl(fd, request, arg)
	}
	b := New("x", nil)
	b.open = func(string) (port, error) { return &devPort{ioctl: slow, fd: -1}, nil }
	var wg sync.WaitGroup
	for g := range 8 {
		wg.Go(func() {
			for range 25 {
				deep(t, b, byte(g), 64)
			}
		})
	}
	wg.Wait()
}

// deep grows the stack, then transfers from its bottom.
func deep(t *testing.T, b *File, v byte, depth int) {
	var fill [256]byte
	if depth > 0 {
		deep(t, b, v, depth-1)
		runtime.KeepAlive(&fill)
		return
	}
	var r [4]byte
	if err := b.Tx(uint16(v), []byte{v}, r[:]); err != nil {
		t.Error(err)
	}
	if r != [4]byte{0xA5, 0xA5, 0xA5, 0xA5} {
		t.Errorf("read % x", r)
	}
}
