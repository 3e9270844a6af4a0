package i2c

import (
	"errors"
	"fmt"
	"runtime"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Requests of linux/i2c-dev.h and the read flag of linux/i2c.h.
const (
	i2cRetries = 0x0701
	i2cTimeout = 0x0702 // in units of 10 ms
	i2cRdwr    = 0x0707
	flagRead   = 0x0001
)

// message is struct i2c_msg. Go pads before buf as C does on 32 and 64 bits.
type message struct {
	addr  uint16
	flags uint16
	len   uint16
	buf   *byte
}

// rdwr is struct i2c_rdwr_ioctl_data.
type rdwr struct {
	msgs  *message
	nmsgs uint32
}

// ioctl asks the kernel something about fd; arg is a number or the address of
// a structure, according to request.
type ioctl func(fd int, request uint, arg uintptr) error

func sysIoctl(fd int, request uint, arg uintptr) error {
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(fd), uintptr(request), arg)
	if errno != 0 {
		return errno
	}
	return nil
}

// devPort is an open /dev/i2c-N. Its message block lives on the heap inside it
// and is only touched under the bus's lock: a block on the stack could move
// while a goroutine waits for that lock, after its address was taken.
type devPort struct {
	fd    int
	ioctl ioctl
	msgs  [2]message
	block rdwr
}

func openPort(path string) (port, error) {
	fd, err := unix.Open(path, unix.O_RDWR|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, describeOpen(path, err)
	}
	p := &devPort{fd: fd, ioctl: sysIoctl}
	if err := p.setLimits(); err != nil {
		_ = unix.Close(fd) // the first error says more
		return nil, err
	}
	return p, nil
}

// describeOpen adds what to do about the errors that a new board shows. The
// service manager's device filter refuses with EPERM, the file's mode with
// EACCES (systemd.resource-control(5), DeviceAllow; open(2)).
func describeOpen(path string, err error) error {
	switch {
	case errors.Is(err, unix.ENOENT):
		return fmt.Errorf("%w (is I2C switched on in the board's configuration?)", err)
	case errors.Is(err, unix.EACCES):
		return fmt.Errorf("%w (is this user in the group i2c?)", err)
	case errors.Is(err, unix.EPERM):
		return fmt.Errorf("%w (does the service's unit say DeviceAllow=%s rw?)", err, path)
	}
	return err
}

// longestTransfer is how long the kernel lets one transfer take, in its steps of 10 ms.
const longestTransfer = 10

// setLimits also keeps the kernel from repeating what lost arbitration: the next
// poll does.
func (p *devPort) setLimits() error {
	if err := p.ioctl(p.fd, i2cTimeout, longestTransfer); err != nil {
		return fmt.Errorf("set the bus time-out: %w", err)
	}
	if err := p.ioctl(p.fd, i2cRetries, 0); err != nil {
		return fmt.Errorf("set the bus retries: %w", err)
	}
	return nil
}

// transfer runs under the bus's lock, so addresses are computed after any wait.
func (p *devPort) transfer(addr uint16, w, r []byte) error {
	var pin runtime.Pinner
	defer pin.Unpin()
	n := 0
	add := func(flags uint16, b []byte) {
		pin.Pin(&b[0])
		p.msgs[n] = message{addr: addr, flags: flags, len: uint16(len(b)), buf: &b[0]}
		n++
	}
	// A transfer without bytes asks only whether the address answers, which
	// the kernel does as an empty write.
	if len(w) > 0 {
		add(0, w)
	}
	if len(r) > 0 {
		add(flagRead, r)
	}
	if n == 0 {
		p.msgs[0] = message{addr: addr}
		n = 1
	}
	p.block = rdwr{msgs: &p.msgs[0], nmsgs: uint32(n)}
	pin.Pin(&p.msgs[0]) // interior pointer: pins all of p
	err := p.ioctl(p.fd, i2cRdwr, uintptr(unsafe.Pointer(&p.block)))
	runtime.KeepAlive(p)
	p.msgs = [2]message{} // holds no caller's buffer past its transfer
	return classify(err)
}

// classify ties the kernel's error number to what it means for the bus, after
// Documentation/i2c/fault-codes.rst; drivers differ in the details.
func classify(err error) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, unix.ENXIO), errors.Is(err, unix.EREMOTEIO):
		return fmt.Errorf("%w (%w)", ErrNoAnswer, err)
	case errors.Is(err, unix.ETIMEDOUT), errors.Is(err, unix.EBUSY), errors.Is(err, unix.EAGAIN):
		return fmt.Errorf("%w (%w)", ErrStuck, err)
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.EBADF), errors.Is(err, unix.ESHUTDOWN):
		return fmt.Errorf("%w (%w)", errGone, err)
	}
	return err
}

func (p *devPort) Close() error { return unix.Close(p.fd) }
