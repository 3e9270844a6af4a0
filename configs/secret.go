package configs

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// largestSecret is more than any password, token or key needs.
const largestSecret = 64 << 10

// fromDirectory is how systemd begins the name of a credential that dewline's unit
// loads from its directory of secrets (systemd.exec(5), LoadCredential=).
const fromDirectory = "secrets_"

// ReadSecret reads a secret from a file, or from the systemd credential of that name in
// credentialsDir when it has no slash. One newline at the end, which editors add, is no
// part of it. A file that everybody on the board can read is refused.
func ReadSecret(nameOrPath, credentialsDir string) (string, error) {
	secret, why := readSecret(nameOrPath, credentialsDir)
	if why != nil {
		return "", &SecretError{Name: nameOrPath, Why: why.Error()}
	}
	return secret, nil
}

// A SecretError says why a secret cannot be read, and what to do.
type SecretError struct{ Name, Why string }

func (e *SecretError) Error() string { return fmt.Sprintf("read the secret %q: %s", e.Name, e.Why) }

func readSecret(nameOrPath, credentialsDir string) (string, error) {
	path := nameOrPath
	if !strings.Contains(nameOrPath, "/") {
		if nameOrPath == "" || nameOrPath == "." || nameOrPath == ".." {
			return "", errors.New("write the path of a file or the name of a credential")
		}
		if credentialsDir == "" {
			return "", errors.New("a name without a slash is a systemd credential and there is no credentials directory; start dewline by its unit, or write a path")
		}
		path = filepath.Join(credentialsDir, fromDirectory+nameOrPath)
		if _, err := os.Stat(path); err != nil {
			path = filepath.Join(credentialsDir, nameOrPath)
		}
	}
	data, err := readPrivate(path)
	if err != nil {
		return "", err
	}
	secret := strings.TrimSuffix(strings.TrimSuffix(string(data), "\n"), "\r")
	if secret == "" {
		return "", fmt.Errorf("the file %s is empty; put the secret into it", path)
	}
	return secret, nil
}

// readPrivate looks before it opens: opening a pipe would wait for ever.
func readPrivate(path string) ([]byte, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("there is no file %s; create it with mode 0600, a credential in /etc/dewline/secrets, and restart", path)
	case err != nil:
		return nil, err
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("%s is not a file; name a file", path)
	case info.Mode().Perm()&0o007 != 0:
		return nil, fmt.Errorf("%s is open to everybody (mode %04o); run: chmod 600 %s", path, info.Mode().Perm(), path)
	case info.Size() > largestSecret:
		return nil, fmt.Errorf("%s has %d bytes, more than any secret; name the right file", path, info.Size())
	}
	return os.ReadFile(path)
}
