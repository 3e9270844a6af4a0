package main

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"dewline/alert"
	"dewline/alert/mqtt"
	"dewline/configs"
	"dewline/sensors/table"
)

// secretsDir is where the unit takes credentials from.
const secretsDir = "/etc/dewline/secrets"

func commandCommand() *cobra.Command {
	c := &cobra.Command{Use: "command", Short: "print a signed command, to be published on dewline/ROOM/command"}
	for _, spec := range answerSpecs() {
		c.AddCommand(answerCommand(spec, addSigner))
	}
	return c
}

func addSigner(fs *pflag.FlagSet) (by *string, deliver deliverFunc) {
	by = fs.String("by", "", "the id of the `PERSON` who signs")
	key := fs.String("key", "", "`FILE` of the person's command key; default what the configuration names")
	room := fs.String("room", "", "`ID` of the room, or sentinel-ID; default the configuration's")
	path := fs.String("config", roomConfig, "the room's configuration `FILE`, read where --key or --room is left out")
	nonce := fs.String("nonce", "", "the last word on status/board, while the board's clock is not set")
	return by, func(_ context.Context, c alert.Command, std stdio) error {
		if *by == "" {
			return usagef("say who signs with --by")
		}
		if *key != "" { // FILE lies where the shell is, as that of every flag
			if _, err := os.Stat(*key); err == nil {
				if *key, err = filepath.Abs(*key); err != nil {
					return fmt.Errorf("find the key: %w", err)
				}
			}
		}
		if *key == "" || *room == "" {
			if err := findSigner(*path, *by, key, room); err != nil {
				return err
			}
		}
		secret, err := configs.ReadSecret(*key, secretsDir)
		if err != nil {
			return err
		}
		s := mqtt.Signed{Command: c, Nonce: *nonce}
		if s.ID = rand.Text(); s.Nonce == "" {
			s.Time = time.Now().UTC().Truncate(time.Second)
		}
		if err := s.Command.Check(); err != nil {
			return usagef("%w", err)
		}
		s.Sign(*room, []byte(secret))
		b, err := json.Marshal(s)
		if err != nil {
			return fmt.Errorf("encode the command: %w", err)
		}
		fmt.Fprintln(std.out, string(b))
		return nil
	}
}

func findSigner(path, person string, key, room *string) error {
	cfg, _, err := table.LoadInForce(path)
	if err != nil {
		return configError{err}
	}
	if *room == "" {
		*room = cfg.Room.ID
	}
	for _, p := range cfg.People {
		if p.ID == person && *key == "" {
			*key = p.CommandKeyFile
		}
	}
	if *key == "" {
		return usagef("%s names no command_key_file of a person %q; name the file with --key", path, person)
	}
	return nil
}
