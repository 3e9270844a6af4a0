package chart

import "io"

// PNG writes the chart as a PNG picture.
func (c Chart) PNG(w io.Writer, o Options) error { return nil }
