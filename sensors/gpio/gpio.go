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

// hold takes hold of a line, under dewline's name.
func (l Line) hold(what string, options ...gpiocdev.LineReqOption) (*Held, error) {
	options = append(options, gpiocdev.WithConsumer("dewline"))
	if l.ActiveLow {
		options = append(options, gpiocdev.AsActiveLow)
	}
	line, err := gpiocdev.RequestLine(l.Chip, l.Offset, options...)
	if err != nil {
		return nil, fmt.Errorf("%s line %d of %s: %w", what, l.Offset, l.Chip, err)
	}
	return &Held{line}, nil
}

// OpenOut takes hold of a line and drives it. It is inactive first.
func OpenOut(l Line) (*Held, error) { return l.hold("drive", gpiocdev.AsOutput(0)) }

// OpenIn takes hold of a line and watches it.
func OpenIn(l Line) (*Held, error) {
	options := []gpiocdev.LineReqOption{gpiocdev.AsInput}
	switch l.Bias {
	case "pull-up":
		options = append(options, gpiocdev.WithPullUp)
	case "pull-down":
		options = append(options, gpiocdev.WithPullDown)
	case "none":
		options = append(options, gpiocdev.WithBiasDisabled)
	}
	return l.hold("watch", options...)
}

// A Held is a line that is driven or watched.
type Held struct{ line *gpiocdev.Line }

// Set makes a driven line active or inactive.
func (h *Held) Set(active bool) error {
	value := 0
	if active {
		value = 1
	}
	if err := h.line.SetValue(value); err != nil {
		return fmt.Errorf("set line %d of %s: %w", h.line.Offset(), h.line.Chip(), err)
	}
	return nil
}

// Active is the line's level now.
func (h *Held) Active() (bool, error) {
	v, err := h.line.Value()
	if err != nil {
		return false, fmt.Errorf("read line %d of %s: %w", h.line.Offset(), h.line.Chip(), err)
	}
	return v == 1, nil
}

// Close lets go of the line. Some chips leave a driven one as it was set last.
func (h *Held) Close() error { return h.line.Close() }
