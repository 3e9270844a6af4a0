package main

import (
	"context"

	"github.com/spf13/cobra"
)

func noteCommand() *cobra.Command {
	c := &cobra.Command{Use: `note ENCLOSURE "text"`, Short: "write a note about an enclosure", Args: words(2)}
	ctl := addControl(c.Flags())
	return does(c, func(ctx context.Context, words []string, _ stdio) error {
		return ctl.post(ctx, "notes", map[string]string{"enclosure": words[0], "by": ctl.by, "text": words[1]}, nil)
	})
}
