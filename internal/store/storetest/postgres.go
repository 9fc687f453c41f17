package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"sort"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// Postgres is a PostgreSQL server of the test's own, in a folder of its own, on
// a unix socket there and on no network.
type Postgres struct {
	dir, bin string
	settings []string
	as       []string // runs a command as the user who may run the server
	made     atomic.Int64

	mu   sync.Mutex
	hold io.Closer // the server ends when this is closed, or the test's process ends
	done chan struct{}
}

// StartPostgres starts a server that ends with the test. Where PostgreSQL is
// not installed the test skips and says so.
func StartPostgres(t testing.TB) *Postgres {
	t.Helper()
	p, err := NewPostgres("fsync=off") // what a test kills is never the machine
	if errors.Is(err, errNoPostgres) {
		t.Skipf("%v; make test installs it where it may", err)
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(p.Close)
	return p
}

var errNoPostgres = errors.New("PostgreSQL is not to be had here")

// NewPostgres makes and starts a server with some settings, which the caller
// closes. It ends with the process in any case.
func NewPostgres(settings ...string) (*Postgres, error) {
	list, _ := filepath.Glob("/usr/lib/postgresql/*/bin/initdb")
	if len(list) == 0 {
		if at, err := exec.LookPath("initdb"); err == nil {
			list = append(list, at)
		}
	}
	if len(list) == 0 {
		return nil, fmt.Errorf("%w: no initdb in /usr/lib/postgresql/*/bin or on the path", errNoPostgres)
	}
	sort.Strings(list)
	p := &Postgres{bin: filepath.Dir(list[len(list)-1]), settings: settings}
	base := ""
	if os.Getuid() == 0 {
		// The server refuses to run as root.
		if err := exec.Command("id", "postgres").Run(); err != nil {
			return nil, fmt.Errorf("%w: the test runs as root and there is no user postgres", errNoPostgres)
		}
		p.as, base = []string{"runuser", "-u", "postgres", "--"}, "/tmp" // which that user may enter
	}
	var err error
	if p.dir, err = os.MkdirTemp(base, "sapward-pg-"); err != nil {
		return nil, err
	}
	if p.as != nil {
		if out, err := exec.Command("chown", "postgres", p.dir).CombinedOutput(); err != nil {
			return nil, fmt.Errorf("%w: %v: %s", errNoPostgres, err, out)
		}
	}
	// A language's order as the default shows that the store asks for bytes.
	args := []string{"-D", p.data(), "-U", "postgres", "-A", "trust", "-E", "UTF8", "--no-sync", "--locale=C"}
	if out, err := p.run("initdb", append(args, "--locale-provider=icu", "--icu-locale=en")...); err != nil {
		_, _ = p.command("rm", "-rf", p.data()).CombinedOutput()
		if again, err := p.run("initdb", args...); err != nil {
			os.RemoveAll(p.dir)
			return nil, fmt.Errorf("initdb: %v: %s%s", err, out, again)
		}
	}
	if err := p.Start(); err != nil {
		p.Close()
		return nil, err
	}
	return p, nil
}

func (p *Postgres) data() string { return filepath.Join(p.dir, "d") }

func (p *Postgres) command(name string, args ...string) *exec.Cmd {
	all := append(append([]string{}, p.as...), name)
	c := exec.Command(all[0], append(all[1:], args...)...)
	c.Dir = p.dir
	return c
}

func (p *Postgres) run(name string, args ...string) ([]byte, error) {
	return p.command(filepath.Join(p.bin, name), args...).CombinedOutput()
}

// script runs the server until its input ends, as it does when the test's
// process ends in whatever way.
const script = `log="$1"; shift; "$@" >"$log" 2>&1 & pid=$!; cat >/dev/null; kill -INT $pid 2>/dev/null; wait $pid`

// Start starts the server, also after Stop.
func (p *Postgres) Start() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	args := []string{"-c", script, "sh", filepath.Join(p.dir, "log"), filepath.Join(p.bin, "postgres"), "-D", p.data(), "-k", p.dir}
	for _, x := range append([]string{"listen_addresses=", "max_connections=200", "shared_buffers=64MB"}, p.settings...) {
		args = append(args, "-c", x)
	}
	c := p.command("sh", args...)
	in, err := c.StdinPipe()
	if err != nil {
		return err
	}
	if err := c.Start(); err != nil {
		return err
	}
	p.hold, p.done = in, make(chan struct{})
	done := p.done
	go func() { _ = c.Wait(); close(done) }()
	for wait := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		out, err := p.run("pg_isready", "-q", "-h", p.dir, "-U", "postgres")
		if err == nil {
			return nil
		}
		if time.Since(wait) > 30*time.Second {
			log, _ := os.ReadFile(filepath.Join(p.dir, "log"))
			return fmt.Errorf("the server did not start: %v %s %s", err, out, log)
		}
	}
}

// Stop stops the server; whoever is connected is sent away.
func (p *Postgres) Stop() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.hold != nil {
		_ = p.hold.Close()
		<-p.done
		p.hold = nil
	}
}

// Close stops the server and removes its folder.
func (p *Postgres) Close() {
	p.Stop()
	os.RemoveAll(p.dir)
}

// SQL runs a statement in a database of the server and returns what it prints.
func (p *Postgres) SQL(database, text string) (string, error) {
	out, err := p.run("psql", "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1", "-h", p.dir, "-U", "postgres", "-d", database, "-c", text)
	if err != nil {
		err = fmt.Errorf("%w: %s", err, out)
	}
	return string(bytes.TrimSpace(out)), err
}

// Name is the database of an address.
func (p *Postgres) Name(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return ""
	}
	return strings.TrimPrefix(u.Path, "/")
}

// New makes an empty database and returns its address.
func (p *Postgres) New() (string, error) {
	name := fmt.Sprintf("t%d", p.made.Add(1))
	if _, err := p.SQL("postgres", "CREATE DATABASE "+name); err != nil {
		return "", err
	}
	return "postgres:///" + name + "?" + url.Values{"host": {p.dir}, "user": {"postgres"}}.Encode(), nil
}

// Database makes an empty database for a test and returns its address.
func (p *Postgres) Database(t testing.TB) string {
	t.Helper()
	address, err := p.New()
	if err != nil {
		t.Fatal(err)
	}
	return address
}
