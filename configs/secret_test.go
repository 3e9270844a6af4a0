package configs

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestReadSecret(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string, mode os.FileMode) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil { // umask must not hide the case
			t.Fatal(err)
		}
		return path
	}
	good := write("good", "s3cret\n", 0o600)
	write("credential", "two\n\n", 0o400)
	write("secrets_mail-password", "from the directory\n", 0o400) // systemd.exec(5), LoadCredential= of a directory: "Key_file1"
	write("windows", "word\r\n", 0o640)
	open := write("open", "x", 0o644)
	write("empty", "\n", 0o600)
	write("huge", strings.Repeat("x", largestSecret+1), 0o600)

	for _, x := range []struct{ name, dir, want, fault string }{
		{good, "", "s3cret", ""},
		{"good", dir, "s3cret", ""},
		{"credential", dir, "two\n", ""}, // one newline only
		{"windows", dir, "word", ""},
		{"mail-password", dir, "from the directory", ""},
		{"good", "", "", `read the secret "good": a name without a slash is a systemd credential and there is no credentials directory; start dewline by its unit, or write a path`},
		{open, "", "", `read the secret "` + open + `": ` + open + ` is open to everybody (mode 0644); run: chmod 600 ` + open},
		{"empty", dir, "", `read the secret "empty": the file ` + dir + `/empty is empty; put the secret into it`},
		{"none", dir, "", `read the secret "none": there is no file ` + dir + `/none; create it with mode 0600, a credential in /etc/dewline/secrets, and restart`},
		{"huge", dir, "", `read the secret "huge": ` + dir + `/huge has 65537 bytes, more than any secret; name the right file`},
		{dir, "", "", `read the secret "` + dir + `": ` + dir + ` is not a file; name a file`},
		{"..", dir, "", `read the secret "..": write the path of a file or the name of a credential`},
		{"", dir, "", `read the secret "": write the path of a file or the name of a credential`},
	} {
		got, err := ReadSecret(x.name, x.dir)
		fault := ""
		if err != nil {
			fault = err.Error()
		}
		if got != x.want || fault != x.fault {
			t.Errorf("%q in %q: %q, %s\nwant %q, %s", x.name, x.dir, got, fault, x.want, x.fault)
		}
	}
}
