package chart

import "io"

// SVG writes the chart as a complete SVG document.
func (c Chart) SVG(w io.Writer, o Options) error { return nil }
