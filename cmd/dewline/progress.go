package main

import (
	"fmt"
	"io"
	"os"
	"strings"
)

// A progress is drawn again on a terminal; elsewhere it is a line now and then.
type progress struct {
	w     io.Writer
	bar   bool
	src   io.Reader
	total int64 // bytes of src; 0 where that is not known
	read  int64
	told  int64 // steps
}

// newProgress follows the reading of src.
func newProgress(src io.Reader, w io.Writer) *progress {
	p := &progress{w: w, src: src}
	if f, ok := src.(*os.File); ok {
		if info, err := f.Stat(); err == nil && info.Mode().IsRegular() {
			p.total = info.Size()
		}
	}
	if f, ok := w.(*os.File); ok {
		info, err := f.Stat()
		p.bar = err == nil && info.Mode()&os.ModeCharDevice != 0
	}
	return p
}

func (p *progress) Read(b []byte) (int, error) {
	n, err := p.src.Read(b)
	p.read += int64(n)
	return n, err
}

// tell says what was done until now, if that is a step further: a percent on a terminal,
// ten elsewhere, and n millions where the length of all is not known.
func (p *progress) tell(n int, what string) {
	percent := p.read * 100 / max(p.total, 1)
	steps, far := int64(n/1_000_000), ""
	if p.total > 0 {
		if steps = percent; !p.bar {
			steps = percent / 10
		}
		far = fmt.Sprintf("%3d %%  ", percent)
	}
	if steps <= p.told {
		return
	}
	p.told = steps
	if !p.bar {
		fmt.Fprintf(p.w, "%s%s\n", far, what)
		return
	}
	if p.total > 0 {
		far = fmt.Sprintf("[%-40s] %s", strings.Repeat("=", int(percent*40/100)), far)
	}
	fmt.Fprintf(p.w, "\r%s%s\x1b[K", far, what)
}

// end leaves what the bar said last on a line of its own.
func (p *progress) end() {
	if p.bar && p.told > 0 {
		fmt.Fprintln(p.w)
		p.told = 0
	}
}
