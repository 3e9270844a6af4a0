package main

import (
	"bytes"
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
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"dewline/alert"
	"dewline/configs"
	"dewline/sensors/table"
)

// A control talks to the running daemon: the permissions of its socket decide who may.
type control struct {
	path   string
	client *http.Client
}

// controlFlags are of every command for the running daemon; by is nil where one only looks.
type controlFlags struct {
	socket, config, dir, by *string
}

const roomConfig = "/etc/dewline/dewline.toml"

func roomFlag(c *cobra.Command) *string {
	return c.Flags().String("config", roomConfig, "the room's configuration `FILE`")
}

// addControlFlags adds the flags of a command that leaves a line in the journal.
func addControlFlags(fs *pflag.FlagSet) controlFlags {
	cf := addLookFlags(fs)
	cf.by = addBy(fs)
	return cf
}

// addBy adds the flag that says who acts. Its default is left out of help and man
// pages, which are the same for everybody.
func addBy(fs *pflag.FlagSet) *string {
	by := fs.String("by", login(), "who acts, for the journal; default your login name")
	fs.Lookup("by").DefValue = ""
	return by
}

// addLookFlags adds those of a command that only looks.
func addLookFlags(fs *pflag.FlagSet) controlFlags {
	return controlFlags{
		socket: fs.String("control", "", "`PATH` of the daemon's control socket"),
		config: fs.String("config", roomConfig, "the room's configuration `FILE`, to find the data directory and the socket"),
		dir:    fs.String("data", os.Getenv("STATE_DIRECTORY"), "the data `DIR`, where the record and the socket are"),
	}
}

func login() string {
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "keeper"
}

// dial takes the first socket that exists: one named, the service's, the data directory's.
func (f controlFlags) dial() (*control, error) {
	var tried []string
	for _, path := range f.candidates() {
		if fi, err := os.Stat(path); err == nil && fi.Mode()&os.ModeSocket != 0 {
			return newControl(path), nil
		}
		tried = append(tried, path)
	}
	return nil, fmt.Errorf("no running dewline found (looked for %v): start it, or name its socket with --control", tried)
}

// get and post ask the running daemon once.
func (f controlFlags) get(ctx context.Context, path string, v any) error {
	ctl, err := f.dial()
	if err != nil {
		return err
	}
	return ctl.get(ctx, path, v)
}

func (f controlFlags) post(ctx context.Context, path string, body, v any) error {
	ctl, err := f.dial()
	if err != nil {
		return err
	}
	return ctl.post(ctx, path, body, v)
}

func (f controlFlags) candidates() []string {
	if *f.socket != "" {
		return []string{*f.socket}
	}
	paths := []string{serviceSocket}
	if *f.dir != "" {
		paths = append(paths, controlPath("", *f.dir))
	}
	if cfg, _, err := table.LoadInForce(*f.config); err == nil {
		paths = append(paths, controlPath("", cfg.Store.Dir))
	}
	return paths
}

// running returns a control for the daemon that answers, nil where there is none.
// A socket that nobody listens on was left by a kill.
func (f controlFlags) running(ctx context.Context) *control {
	ctl, err := f.dial()
	if err != nil {
		return nil
	}
	conn, err := (&net.Dialer{}).DialContext(ctx, "unix", ctl.path)
	if errors.Is(err, syscall.ECONNREFUSED) {
		return nil
	}
	if err == nil {
		_ = conn.Close()
	}
	return ctl
}

func newControl(path string) *control {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", path)
	}
	return &control{path: path, client: &http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{DialContext: dial}}}
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
	resp, err := c.ask(ctx, c.client, method, path, body)
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

// stream asks for an answer of any length.
func (c *control) stream(ctx context.Context, path string) (*http.Response, error) {
	patient := *c.client
	patient.Timeout = 0
	return c.ask(ctx, &patient, http.MethodGet, path, nil)
}

// ask returns an answer that is no refusal, with its body open.
func (c *control) ask(ctx context.Context, client *http.Client, method, path string, body io.Reader) (*http.Response, error) {
	req, err := http.NewRequestWithContext(ctx, method, "http://dewline/api/v1/"+path, body)
	if err != nil {
		return nil, fmt.Errorf("make the request: %w", err)
	}
	resp, err := client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("ask the running dewline through %s: %w", c.path, err)
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
	if run := os.Getenv("RUNTIME_DIRECTORY"); run != "" {
		return filepath.Join(run, "control.sock")
	}
	if dir != "" {
		return filepath.Join(dir, "control.sock")
	}
	return serviceSocket
}

// running reports whether a daemon listens on one of the usual sockets.
func running(cfg *configs.Config) bool {
	for _, path := range []string{serviceSocket, controlPath("", cfg.Store.Dir)} {
		_, err := os.Stat(path)
		if err != nil {
			if notSeen(path, err) {
				return true
			}
			continue
		}
		c, err := net.DialTimeout("unix", path, connectWithin)
		if err == nil {
			_ = c.Close() // it was only knocked at
		}
		if listens(err) {
			return true
		}
	}
	return false
}

// notSeen reports whether a socket that could not be looked at is there all the
// same: the service's folder is, and closed to this user. A closed data
// directory says nothing.
func notSeen(path string, err error) bool {
	return path == serviceSocket && errors.Is(err, fs.ErrPermission)
}

// listens reads the outcome of knocking at a socket. A daemon that this user
// may not ask listens all the same.
func listens(err error) bool {
	return err == nil || errors.Is(err, fs.ErrPermission) || errors.Is(err, os.ErrDeadlineExceeded)
}
