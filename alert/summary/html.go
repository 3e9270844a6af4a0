package summary

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"

	"dewline/configs/unit"
)

//go:embed summary.html
var page string

// A Source says where a picture is found: inside the page or inside the mail.
type Source func(Picture) string

// Inside puts the picture into the page itself, for a file that stands alone.
func Inside(p Picture) string {
	return "data:image/png;base64," + base64.StdEncoding.EncodeToString(p.PNG)
}

// ByContentID refers to the inline file of the same mail (RFC 2392).
func ByContentID(p Picture) string { return "cid:" + p.Name }

// HTML writes the summary as one page without scripts or style sheets, as mail
// programs show it: styles stand inline, tables hold figures, and the page
// loads nothing. pics are those of Pictures; src says where they are found.
func (r *Report) HTML(w io.Writer, u unit.Scale, pics []Picture, src Source) error {
	v := r.view(u)
	for i := range v.Cards {
		for _, p := range pics {
			if p.Enclosure == v.Cards[i].ID {
				v.Cards[i].Picture = &pictureView{p, template.URL(src(p))}
			}
		}
	}
	t, err := template.New("summary").Parse(page)
	if err != nil {
		return fmt.Errorf("the summary's page: %w", err)
	}
	if err := t.Execute(w, v); err != nil {
		return fmt.Errorf("write the summary of week %s: %w", r.Week, err)
	}
	return nil
}
