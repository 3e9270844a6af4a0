//go:build !linux

package gpio

import "errors"

var errLinux = errors.New("GPIO lines need Linux")

// An Out is a line that is driven.
type Out struct{}

// OpenOut fails: there are no lines here.
func OpenOut(Line) (*Out, error) { return nil, errLinux }

// Set fails.
func (*Out) Set(bool) error { return errLinux }

// Close does nothing.
func (*Out) Close() error { return nil }

// An In is a line that is watched.
type In struct{}

// OpenIn fails: there are no lines here.
func OpenIn(Line) (*In, error) { return nil, errLinux }

// Active fails.
func (*In) Active() (bool, error) { return false, errLinux }

// Close does nothing.
func (*In) Close() error { return nil }
