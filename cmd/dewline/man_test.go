package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra/doc"
	"github.com/spf13/pflag"
)

// TestManPages writes a man page for every command, and leaves them in the folder
// that DEWLINE_MAN names. The generator stays out of the program: with its
// parsers of Markdown and YAML it would add 600 kB. Sections: man-pages(7).
func TestManPages(t *testing.T) {
	dir := t.TempDir()
	if keep := os.Getenv("DEWLINE_MAN"); keep != "" {
		dir = keep
	}
	root := rootCommand(stdio{})
	if err := doc.GenManTree(root, &doc.GenManHeader{Section: "1", Source: "dewline " + version}, dir); err != nil {
		t.Fatal(err)
	}
	for _, words := range everyCommand(t) {
		if words[0] == "help" {
			continue
		}
		b, err := os.ReadFile(filepath.Join(dir, "dewline-"+strings.Join(words, "-")+".1"))
		if err != nil {
			t.Error(err)
			continue
		}
		c, _, err := root.Find(words)
		if err != nil {
			t.Error(err)
			continue
		}
		want := []string{".TH ", ".SH NAME", ".SH SYNOPSIS", ".SH DESCRIPTION"}
		c.LocalFlags().VisitAll(func(f *pflag.Flag) { want = append(want, `\fB--`+f.Name+`\fP`) })
		for _, w := range want {
			if !strings.Contains(string(b), w) {
				t.Errorf("the page of %v lacks %q:\n%s", words, w, b)
			}
		}
	}
}
