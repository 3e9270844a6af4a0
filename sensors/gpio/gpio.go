// Package gpio holds lines of the kernel's GPIO character device: one that is
// driven, and one that is watched. What a line means is for its users.
package gpio

import (
	"fmt"

	"github.com/warthog618/go-gpiocdev"
)

// A Line names one line of a chip.
type Line struct {
	Chip      string // "/dev/gpiochip0"
	Offset    int
	ActiveLow bool   // active is the low level
	Bias      string // of a watched line: "pull-up", "pull-down", "none"; empty leaves it as it is
}

// request takes hold of a line, under dewline's name.
func request(l Line, options ...gpiocdev.LineReqOption) (*gpiocdev.Line, error) {
	options = append(options, gpiocdev.WithConsumer("dewline"))
	if l.ActiveLow {
		options = append(options, gpiocdev.AsActiveLow)
	}
	return gpiocdev.RequestLine(l.Chip, l.Offset, options...)
}

// An Out is a line that is driven. It is inactive first.
type Out struct{ line *gpiocdev.Line }

// OpenOut takes hold of a line and drives it.
func OpenOut(l Line) (*Out, error) {
	line, err := request(l, gpiocdev.AsOutput(0))
	if err != nil {
		return nil, fmt.Errorf("drive line %d of %s: %w", l.Offset, l.Chip, err)
	}
	return &Out{line}, nil
}

// Set makes the line active or inactive.
func (o *Out) Set(active bool) error {
	value := 0
	if active {
		value = 1
	}
	if err := o.line.SetValue(value); err != nil {
		return fmt.Errorf("set line %d of %s: %w", o.line.Offset(), o.line.Chip(), err)
	}
	return nil
}

// Close lets go of the line. Some chips leave it as it was set last.
func (o *Out) Close() error { return o.line.Close() }

// An In is a line that is watched.
type In struct{ line *gpiocdev.Line }

// OpenIn takes hold of a line and watches it.
func OpenIn(l Line) (*In, error) {
	options := []gpiocdev.LineReqOption{gpiocdev.AsInput}
	switch l.Bias {
	case "pull-up":
		options = append(options, gpiocdev.WithPullUp)
	case "pull-down":
		options = append(options, gpiocdev.WithPullDown)
	case "none":
		options = append(options, gpiocdev.WithBiasDisabled)
	}
	line, err := request(l, options...)
	if err != nil {
		return nil, fmt.Errorf("watch line %d of %s: %w", l.Offset, l.Chip, err)
	}
	return &In{line}, nil
}

// Active is the line's level now.
func (i *In) Active() (bool, error) {
	v, err := i.line.Value()
	if err != nil {
		return false, fmt.Errorf("read line %d of %s: %w", i.line.Offset(), i.line.Chip(), err)
	}
	return v == 1, nil
}

// Close lets go of the line.
func (i *In) Close() error { return i.line.Close() }
