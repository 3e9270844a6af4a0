package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"os"
	"os/user"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"dewline/alert"
	"dewline/sensors/table"
)

// A control finds the running daemon by what the flags say and asks it: the permissions
// of its socket decide who may.
type control struct {
	socket, config, dir string
	found               string // the socket of the daemon that answered, the one from then on
	by                  string // who acts; empty where one only looks
	patient             bool   // waits for an answer as long as it takes
	room                bool   // cannot do without the room's configuration
}

const roomConfig = "/etc/dewline/dewline.toml"

func roomFlag(c *cobra.Command) *string {
	return c.Flags().String("config", roomConfig, "the room's configuration `FILE`")
}

// addControl adds the flags of a command that leaves a line in the journal.
func addControl(fs *pflag.FlagSet) *control {
	c := addLook(fs)
	addBy(fs, &c.by)
	return c
}

// addBy adds the flag that says who acts. Its default is left out of help and man
// pages, which are the same for everybody.
func addBy(fs *pflag.FlagSet, by *string) {
	login := "keeper"
	if u, err := user.Current(); err == nil && u.Username != "" {
		login = u.Username
	}
	fs.StringVar(by, "by", login, "who acts, for the journal; default your login name")
	fs.Lookup("by").DefValue = ""
}

// addLook adds those of a command that only looks.
func addLook(fs *pflag.FlagSet) *control {
	c := new(control)
	fs.StringVar(&c.socket, "control", "", "`PATH` of the daemon's control socket")
	fs.StringVar(&c.config, "config", roomConfig, "the room's configuration `FILE`, to find the data directory and the socket")
	fs.StringVar(&c.dir, "data", os.Getenv("STATE_DIRECTORY"), "the data `DIR`, where the record and the socket are")
	return c
}

// find returns the first socket that a daemon listens on: one named, the service's, the
// data directory's.
func (c *control) find() (string, error) {
	if c.found != "" {
		return c.found, nil
	}
	paths := []string{c.socket}
	if c.socket == "" {
		paths = []string{serviceSocket}
		if c.dir != "" {
			paths = append(paths, controlPath("", c.dir))
		}
		if cfg, _, err := table.LoadInForce(c.config); err == nil {
			paths = append(paths, controlPath("", cfg.Store.Dir))
		}
	}
	i := slices.IndexFunc(paths, func(path string) bool {
		_, seen := os.Stat(path)
		conn, knocked := net.DialTimeout("unix", path, connectWithin)
		if knocked == nil {
			_ = conn.Close()
		}
		return listens(path, seen, knocked)
	})
	if i < 0 {
		return "", fmt.Errorf("no running dewline found at %s; start it, or name its socket with --control", strings.Join(paths, " or "))
	}
	c.found = paths[i]
	return c.found, nil
}

func (c *control) running() bool {
	_, err := c.find()
	return err == nil
}

func (c *control) get(ctx context.Context, path string, v any) error {
	return c.do(ctx, http.MethodGet, path, nil, v)
}

// post sends body and reads the answer into v, which may be nil.
func (c *control) post(ctx context.Context, path string, body, v any) error {
	b, err := json.Marshal(body)
	if err != nil {
		return fmt.Errorf("encode the request: %w", err)
	}
	return c.do(ctx, http.MethodPost, path, bytes.NewReader(b), v)
}

func (c *control) do(ctx context.Context, method, path string, body io.Reader, v any) error {
	if !c.patient {
		timed, cancel := context.WithTimeout(ctx, answerWithin)
		defer cancel()
		ctx = timed
	}
	resp, err := c.ask(ctx, method, path, body)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	if v == nil {
		return nil
	}
	if err := json.NewDecoder(io.LimitReader(resp.Body, 64<<20)).Decode(v); err != nil {
		return fmt.Errorf("read the answer of the running dewline: %w", err)
	}
	return nil
}

const (
	answerWithin  = 30 * time.Second
	connectWithin = 2 * time.Second
)

// ask returns an answer of any length that is no refusal, with its body open.
func (c *control) ask(ctx context.Context, method, path string, body io.Reader) (*http.Response, error) {
	socket, err := c.find()
	if err != nil {
		return nil, err
	}
	req, err := http.NewRequestWithContext(ctx, method, "http://dewline/api/v1/"+path, body)
	if err != nil {
		return nil, fmt.Errorf("make the request: %w", err)
	}
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", socket)
	}
	client := http.Client{Transport: &http.Transport{DialContext: dial, DisableKeepAlives: true}}
	resp, err := client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("ask the running dewline through %s: %w", socket, err)
	}
	if resp.StatusCode < 300 {
		return resp, nil
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(io.LimitReader(resp.Body, 4<<10))
	if err != nil {
		return nil, fmt.Errorf("read the answer of the running dewline: %w", err)
	}
	var reply alert.Reply
	if err = json.Unmarshal(b, &reply); err != nil || reply.Error == "" {
		return nil, fmt.Errorf("the running dewline answered %s", resp.Status)
	}
	if err = errors.New(reply.Error); resp.StatusCode == http.StatusBadRequest {
		err = usageError{err}
	}
	return nil, err
}

// serviceSocket is in a folder that the service manager makes and removes again.
const serviceSocket = "/run/dewline/control.sock"

func controlPath(given, dir string) string {
	if given != "" {
		return given
	}
	if dir = cmp.Or(os.Getenv("RUNTIME_DIRECTORY"), dir); dir != "" {
		return filepath.Join(dir, "control.sock")
	}
	return serviceSocket
}

// listens reads the outcome of looking for a socket and of knocking at it. A daemon that
// this user may not ask listens all the same: the service's folder is there only while it
// runs, so a closed one tells; a closed data directory says nothing.
func listens(path string, seen, knocked error) bool {
	if errors.Is(knocked, fs.ErrPermission) {
		return seen == nil || path == serviceSocket
	}
	return knocked == nil || errors.Is(knocked, os.ErrDeadlineExceeded)
}
