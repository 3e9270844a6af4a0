package cutsim

import (
	"bufio"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
)

// Kinds of Op.
const (
	Write = iota
	Truncate
	Sync
	Rename
	Said // something the program told the outside: a pipe, a terminal, a socket
)

// An Op is one thing that a program asked of the disk, or told the outside.
// Names are relative to the traced folder; a sync of the folder has none.
type Op struct {
	Kind     int
	File, To string
	Data     []byte
	Off      int64 // of a write; the new length for Truncate
}

// Command runs a program under strace, which writes the calls that matter to
// log. The error says that strace is not there, or may trace nothing here.
func Command(log, program string, args ...string) (*exec.Cmd, error) {
	strace, err := exec.LookPath("strace")
	if err != nil {
		return nil, fmt.Errorf("strace is not installed: %w", err)
	}
	all := []string{"-f", "--seccomp-bpf", "-xx", "-s", "4000000", "-o", log, "-e",
		"trace=openat,pwrite64,ftruncate,fdatasync,fsync,renameat,renameat2,rename,write,close"}
	if out, err := exec.Command(strace, append(all, "true")...).CombinedOutput(); err != nil {
		return nil, fmt.Errorf("strace cannot trace here: %w: %.200s", err, out)
	}
	all = append(all, program)
	return exec.Command(strace, append(all, args...)...), nil
}

var (
	callForm = regexp.MustCompile(`^(\w+)\((.*)\) += (-?\d+)`)
	textForm = regexp.MustCompile(`"((?:\\x[0-9a-f]{2})*)"`)
)

// Parse reads the log of Command: what was done to the files in dir whose names
// start with prefix, and all that was said, in order.
func Parse(log io.Reader, dir, prefix string) ([]Op, error) {
	p := parser{dir: dir, prefix: "/" + prefix, begun: map[string]string{}, files: map[string]string{}}
	lines := bufio.NewScanner(log)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		if err := p.line(lines.Text()); err != nil {
			return nil, fmt.Errorf("%w in %.120q", err, lines.Text())
		}
	}
	return p.ops, lines.Err()
}

type parser struct {
	dir, prefix string
	begun       map[string]string // by thread: a call that another interrupted
	files       map[string]string // by descriptor
	ops         []Op
}

func (p *parser) line(line string) error {
	thread, rest, _ := strings.Cut(line, " ")
	rest = strings.TrimLeft(rest, " ")
	if head, ok := strings.CutSuffix(rest, " <unfinished ...>"); ok {
		p.begun[thread] = head
		return nil
	}
	if strings.HasPrefix(rest, "<... ") {
		_, tail, _ := strings.Cut(rest, " resumed>")
		rest = p.begun[thread] + tail
	}
	m := callForm.FindStringSubmatch(rest)
	if m == nil || m[3] == "-1" {
		return nil
	}
	return p.call(m[1], m[2], m[3])
}

// errTrace says that a call has another form than expected.
var errTrace = errors.New("unexpected form of a system call")

// quoted returns the texts among the arguments of a call.
func quoted(args string) (texts [][]byte, err error) {
	for _, m := range textForm.FindAllStringSubmatch(args, -1) {
		b, err := hex.DecodeString(strings.ReplaceAll(m[1], `\x`, ""))
		if err != nil {
			return nil, err
		}
		texts = append(texts, b)
	}
	return texts, nil
}

// call takes one system call that succeeded.
func (p *parser) call(name, args, result string) error {
	texts, err := quoted(args)
	if err != nil {
		return err
	}
	fields := strings.Split(textForm.ReplaceAllString(args, ""), ",")
	fd := strings.TrimSpace(fields[0])
	last, _ := strconv.ParseInt(strings.TrimSpace(fields[len(fields)-1]), 10, 64)
	inside := func(b []byte) string { return strings.TrimPrefix(string(b), p.dir) }
	op := Op{File: p.files[fd], Off: last}
	switch {
	case name == "close":
		delete(p.files, fd)
		return nil
	case name == "fdatasync" || name == "fsync":
		op.Kind = Sync
	case name == "ftruncate":
		op.Kind = Truncate
	case len(texts) == 0:
		return errTrace
	case name == "openat":
		p.files[result] = inside(texts[0])
		return nil
	case name == "write":
		if _, file := p.files[fd]; file {
			return nil // files of the record are written by place only
		}
		op = Op{Kind: Said, Data: texts[0]}
		p.ops = append(p.ops, op)
		return nil
	case name == "pwrite64":
		op.Kind, op.Data = Write, texts[0]
	case len(texts) < 2:
		return errTrace
	default:
		op = Op{Kind: Rename, File: inside(texts[0]), To: inside(texts[1])}
	}
	if strings.HasPrefix(op.File, p.prefix) || op.File == "" && op.Kind == Sync {
		p.ops = append(p.ops, op)
	}
	return nil
}
