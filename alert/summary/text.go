package summary

import (
	"fmt"
	"strings"

	"dewline/configs/unit"
)

const textWidth = 76

// Text writes the summary as plain text that is complete by itself.
func (r *Report) Text(u unit.Scale) string {
	v, w := r.view(u), &textWriter{}
	w.line(v.Title)
	w.line(v.Dates)
	w.line("")
	w.para("", v.Verdict)
	if r.Early() {
		return w.String()
	}
	w.head("Worth doing this week")
	if v.Nothing != "" {
		w.para("", v.Nothing)
	}
	for i, a := range v.Do {
		w.para(fmt.Sprintf("%d. ", i+1), a.Title)
		w.para("   ", a.Why)
	}
	w.lists(v.Lists)
	w.head("Enclosures")
	for _, c := range v.Cards {
		name := c.Name
		if c.Place != "" {
			name += " (" + c.Place + ")"
		}
		w.line("")
		w.para("", name+": "+c.About)
		for _, f := range c.Facts {
			w.para("  "+f.Name+strings.Repeat(" ", max(14-len(f.Name), 1)), f.Text)
		}
	}
	w.lists(v.Tail)
	w.line("")
	w.para("", v.Caution)
	return w.String()
}

// A textWriter breaks lines.
type textWriter struct{ strings.Builder }

func (w *textWriter) line(s string) {
	w.WriteString(strings.TrimRight(strings.ReplaceAll(s, nbsp, " "), " ") + "\n")
}

func (w *textWriter) head(s string) {
	w.line("")
	w.line(s)
	w.line(strings.Repeat("-", len([]rune(s))))
}

// para writes a paragraph, indented by the width of first.
func (w *textWriter) para(first, s string) {
	indent := strings.Repeat(" ", len([]rune(first)))
	line, n := first, len([]rune(first))
	for i, word := range strings.FieldsFunc(s, func(r rune) bool { return r == ' ' }) {
		k := len([]rune(word))
		if i > 0 && n+1+k > textWidth {
			w.line(line)
			line, n, i = indent, len(indent), 0
		}
		if i > 0 {
			line, n = line+" ", n+1
		}
		line, n = line+word, n+k
	}
	w.line(line)
}

func (w *textWriter) lists(all []section) {
	for _, s := range all {
		w.head(s.Name)
		for _, l := range s.Lines {
			w.para("- ", l)
		}
	}
}
