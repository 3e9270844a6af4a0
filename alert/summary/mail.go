package summary

import (
	"strings"

	"dewline/alert/mail"
	"dewline/configs/unit"
)

// Mail makes the mail of a report for one address: plain text that is complete
// by itself, and the page with its pictures inside the mail. The same week and
// key give the same Message-ID, so a mail sent again shows once.
func (r *Report) Mail(u unit.Scale, to, key string) (mail.Summary, error) {
	pics, err := r.Pictures(u)
	if err != nil {
		return mail.Summary{}, err
	}
	var html strings.Builder
	if err := r.HTML(&html, u, pics, ByContentID); err != nil {
		return mail.Summary{}, err
	}
	m := mail.Summary{To: []string{to}, Subject: r.Subject(), Text: r.Text(u), HTML: html.String(), Key: r.Week + "/" + key}
	for _, p := range pics {
		m.Files = append(m.Files, mail.File{Name: p.Name, MediaType: "image/png", Data: p.PNG})
	}
	return m, nil
}
