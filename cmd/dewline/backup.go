package main

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"dewline/store"
)

func backupCommand() *cobra.Command {
	c := &cobra.Command{Use: "backup --to FILE", Short: "copy the record, also while dewline runs", Args: words(0)}
	ctl := addLook(c.Flags())
	to := c.Flags().String("to", "", "the new `FILE`")
	return does(c, func(ctx context.Context, _ []string, std stdio) error { return runBackup(ctx, ctl, *to, std) })
}

func runBackup(ctx context.Context, ctl *control, to string, std stdio) error {
	if to == "" {
		return usagef("name the new file with --to FILE")
	}
	if _, err := os.Lstat(to); err == nil {
		return fmt.Errorf("%s exists: name a new file", to)
	}
	if ctl.running() {
		if err := ctl.backup(ctx, to); err != nil {
			return advised(err, to, namesFile)
		}
	} else {
		dir, err := ctl.dataDir()
		if err == nil {
			err = withRecord(ctx, store.Options{Dir: dir}, func(st *store.Store) error {
				return advised(st.Backup(ctx, to), filepath.Join(dir, store.FileName), namesFile)
			})
		}
		if err != nil {
			return err
		}
	}
	fi, err := os.Stat(to)
	if err != nil {
		return fmt.Errorf("look at the copy: %w", err)
	}
	fmt.Fprintf(std.out, "%s: copied and checked, %.1f MB; dewline restore --from %s puts it back\n", to, float64(fi.Size())/1e6, to)
	return nil
}

func (c *control) backup(ctx context.Context, file string) error {
	resp, err := c.ask(ctx, http.MethodGet, "backup", nil)
	if err != nil {
		return fmt.Errorf("the running dewline could not make a copy: %w", err)
	}
	defer resp.Body.Close()
	err = store.TakeCopy(ctx, file, func(w io.Writer) error { _, err := io.Copy(w, resp.Body); return err })
	if err != nil {
		return fmt.Errorf("write the copy %s: %w", file, err)
	}
	return nil
}
