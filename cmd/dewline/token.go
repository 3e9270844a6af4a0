package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"dewline/alert/page"
)

func tokenCommand() *cobra.Command {
	c := &cobra.Command{
		Use: "token NAME look|answer|change", Short: "make a token for the page, the API or a scraper", Args: words(2),
		Long: "Prints a token, which is shown only once, and the line that lets it in: add that to the file that tokens_file in [http] names. To shut a token out, remove its line.",
	}
	return does(c, func(_ context.Context, words []string, std stdio) error {
		if strings.ContainsAny(words[0], " \t\n#") || page.RightOf(words[1]) == page.None {
			return usagef("takes a name of one word and a right: look, answer (look and acknowledge) or change")
		}
		token, line := page.NewToken(words[0], words[1])
		fmt.Fprintf(std.out, "token: %s\nline:  %s\n", token, line)
		return nil
	})
}
