package cli

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// program builds the program as it ships.
var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "sapward-program-")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "sapward")
	out, err := exec.Command("go", "build", "-o", path, "sapward/cmd/sapward").CombinedOutput()
	if err != nil {
		err = fmt.Errorf("%w: %s", err, out)
	}
	return path, err
})

// node is one server process.
type node struct {
	cmd    *exec.Cmd
	base   string // http://127.0.0.1:port
	token  string // for the first owner, if it printed one
	second string // of metrics
	mu     sync.Mutex
	log    bytes.Buffer
	ended  chan struct{}
}

// startNode starts a server as behind a proxy: people sign in, cookies are
// secure.
func startNode(t *testing.T, args ...string) *node {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	n := &node{cmd: exec.Command(path, append([]string{"serve", "--listen", "127.0.0.1:0", "--behind-proxy", "--metrics", "127.0.0.1:0", "--log", "json"}, args...)...), ended: make(chan struct{})}
	n.cmd.Dir = t.TempDir()
	out, err := n.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	n.cmd.Stderr = n
	if err := n.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { n.kill(); <-n.ended })
	ready := make(chan struct{})
	go func() {
		defer close(n.ended)
		told := false
		for lines := bufio.NewScanner(out); lines.Scan(); {
			n.mu.Lock()
			if m := regexp.MustCompile(`http://[0-9.:]+/metrics`).FindString(lines.Text()); m != "" {
				n.second = m
			} else if m := regexp.MustCompile(`is at (http://[0-9.:]+)`).FindStringSubmatch(lines.Text()); m != nil {
				n.base = m[1]
			}
			if m := regexp.MustCompile(`\b[0-9a-f]{40}\b`).FindString(lines.Text()); m != "" {
				n.token = m
			}
			is := n.base != ""
			n.mu.Unlock()
			if is && !told {
				told = true
				close(ready)
			}
		}
		_ = n.cmd.Wait()
	}()
	select {
	case <-ready:
	case <-n.ended:
		t.Fatalf("the server ended: %s", n.said())
	case <-time.After(time.Minute):
		t.Fatalf("the server did not start: %s", n.said())
	}
	for begin := time.Now(); time.Since(begin) < time.Minute; time.Sleep(20 * time.Millisecond) {
		if res, err := http.Get(n.base + "/readyz"); err == nil {
			res.Body.Close()
			if res.StatusCode == http.StatusOK {
				return n
			}
		}
		select {
		case <-n.ended:
			t.Fatalf("the server ended: %s", n.said())
		default:
		}
	}
	t.Fatalf("the server is not ready: %s", n.said())
	return nil
}

func (n *node) Write(b []byte) (int, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.log.Write(b)
}

func (n *node) said() string {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.log.String()
}

// firstOwner is the token that was printed.
func (n *node) firstOwner() string {
	for begin := time.Now(); time.Since(begin) < 10*time.Second; time.Sleep(10 * time.Millisecond) {
		n.mu.Lock()
		token := n.token
		n.mu.Unlock()
		if token != "" {
			return token
		}
	}
	return ""
}

func (n *node) kill() { _ = n.cmd.Process.Kill() }

// site is one address with several servers behind it, as a proxy makes it.
type site struct {
	mu    sync.Mutex
	nodes []*node
}

func (s *site) at(i int) *node {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.nodes[i%len(s.nodes)]
}

func (s *site) put(i int, n *node) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.nodes[i] = n
}

// reach sends the requests of one browser or phone to one of the servers.
type reach struct {
	site   *site
	prefer atomic.Int64
	base   http.RoundTripper
}

func (r *reach) RoundTrip(req *http.Request) (*http.Response, error) {
	to, err := url.Parse(r.site.at(int(r.prefer.Load())).base)
	if err != nil {
		return nil, err
	}
	out := req.Clone(req.Context())
	out.URL.Scheme, out.URL.Host, out.Host = to.Scheme, to.Host, req.URL.Host
	return r.base.RoundTrip(out)
}

// caller is a browser or phone of the site.
type caller struct {
	t     *testing.T
	reach *reach
	http  *http.Client
}

const address = "https://sapward.example"

func (s *site) caller(t *testing.T, prefer int) *caller {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	r := &reach{site: s, base: &http.Transport{MaxIdleConnsPerHost: 4}}
	r.prefer.Store(int64(prefer))
	return &caller{t, r, &http.Client{Jar: jar, Transport: r, Timeout: time.Minute}}
}

func (c *caller) do(method, path, kind string, body io.Reader) (*http.Response, string, error) {
	req, err := http.NewRequest(method, address+path, body)
	if err != nil {
		return nil, "", err
	}
	if kind != "" {
		req.Header.Set("Content-Type", kind)
	}
	req.Header.Set("X-Sapward", "1")
	res, err := c.http.Do(req)
	if err != nil {
		return nil, "", err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	return res, string(text), err
}

func (c *caller) get(path string) string {
	c.t.Helper()
	res, text, err := c.do(http.MethodGet, path, "", nil)
	if err != nil || res.StatusCode != http.StatusOK {
		c.t.Fatalf("%s: %v %v", path, err, res)
	}
	return text
}

// post sends a form and returns where it led.
func (c *caller) post(path string, form url.Values) (status int, at, text string) {
	c.t.Helper()
	res, text, err := c.do(http.MethodPost, path, "application/x-www-form-urlencoded", strings.NewReader(form.Encode()))
	if err != nil {
		c.t.Fatalf("%s: %v", path, err)
	}
	return res.StatusCode, res.Request.URL.Path, text
}

func (c *caller) done(path string, form url.Values) (at, text string) {
	c.t.Helper()
	status, at, text := c.post(path, form)
	if status != http.StatusOK {
		i := strings.Index(text, `role="alert"`)
		c.t.Fatalf("%s: %d %s", path, status, text[max(i, 0):min(len(text), max(i, 0)+600)])
	}
	return at, text
}

func found(t *testing.T, text, pattern string) string {
	t.Helper()
	m := regexp.MustCompile(pattern).FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("no %s in a page of %d bytes", pattern, len(text))
	}
	return m[1]
}

// upload is a body with a file.
func upload(t *testing.T, fields map[string]string, name, data string) (string, io.Reader) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for k, v := range fields {
		_ = w.WriteField(k, v)
	}
	f, err := w.CreateFormFile("file", name)
	if err == nil {
		_, err = io.WriteString(f, data)
	}
	if err := errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
	return w.FormDataContentType(), &b
}
