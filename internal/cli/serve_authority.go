package cli

import (
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"sapward/finding"
	"sapward/internal/authority"
)

// authorityOptions are HTTPS for phones on a local network.
type authorityOptions struct {
	LocalAuthority bool     `name:"local-authority" help:"HTTPS by a certificate authority of your own, kept beside the data, for local names and private addresses only."`
	Host           []string `sep:"none" help:"One more name or address that phones use for this machine (with --local-authority; repeat for more)."`
	TrustListen    string   `name:"trust-listen" help:"Address of a page without HTTPS that leads people through trusting the local authority; it serves nothing else."`
}

// checkAuthority refuses options that do not go together.
func (o listenOptions) checkAuthority() error {
	if o.LocalAuthority {
		if o.Cert != "" || o.Key != "" || o.BehindProxy {
			return usage("serve-authority-and-certificate", nil)
		}
		return nil
	}
	var faults finding.Faults
	need := func(given bool, option string) {
		if given {
			faults = append(faults, finding.AsFaults(usage("serve-authority-needed", finding.Args{"option": finding.Text(option)}))...)
		}
	}
	need(len(o.Host) > 0, "--host")
	need(o.TrustListen != "", "--trust-listen")
	return faults.OrNil()
}

// trusted is the authority in use with its page.
type trusted struct {
	authority *authority.Authority
	page      http.Handler
	port      string
}

// openAuthority opens the authority beside a data folder, or returns nil where
// none was asked for.
func (o listenOptions) openAuthority(data string, at net.Addr) (*trusted, error) {
	if !o.LocalAuthority {
		return nil, nil
	}
	machine := ""
	if name, err := os.Hostname(); err == nil {
		if machine, _, _ = strings.Cut(name, "."); machine != "" {
			machine += ".local" // RFC 6762: the name by which the local network finds it
		}
	}
	dir := filepath.Clean(data)
	a, err := authority.Open(authority.Options{Dir: filepath.Join(filepath.Dir(dir), filepath.Base(dir)+"-authority"), Hosts: o.Host, Machine: machine})
	if err != nil {
		return nil, err
	}
	t := &trusted{authority: a}
	if addr, ok := at.(*net.TCPAddr); ok {
		t.port = strconv.Itoa(addr.Port)
	}
	t.page = a.Page(t.port)
	return t, nil
}

// serve says how phones reach the app and what to compare, and serves the page
// of trust on its own port where one was given. The function ends that.
func (t *trusted) serve(e *env, o listenOptions, done chan<- error) (end func(), err error) {
	a := t.authority
	if a.Made {
		e.println(e.say.Say("serve-authority-made", finding.Args{"name": finding.Text(a.Name()), "file": finding.Text(a.Path())}))
	}
	var urls []string
	for _, h := range a.Names() {
		if ip := net.ParseIP(h); h != "localhost" && (ip == nil || !ip.IsLoopback()) {
			urls = append(urls, "https://"+net.JoinHostPort(h, t.port))
		}
	}
	if len(urls) == 0 {
		e.println(e.say.T("serve-authority-no-address"))
	} else {
		e.println(e.say.Say("serve-authority-addresses", finding.Args{"urls": finding.Text(strings.Join(urls, "  "))}))
	}
	e.println(e.say.T("serve-authority-fingerprint"))
	print := a.Fingerprint()
	e.println("  " + strings.Join(print[:4], "  "))
	e.println("  " + strings.Join(print[4:], "  "))
	if time.Until(a.Until()) < authority.EndsSoon {
		e.println(e.say.Say("serve-authority-ends", finding.Args{"until": finding.Text(a.Until().Format(time.DateOnly)), "folder": finding.Text(filepath.Dir(a.Path()))}))
	}
	if o.TrustListen == "" {
		return func() {}, nil
	}
	l, err := net.Listen("tcp", o.TrustListen)
	if err != nil {
		o.Listen = o.TrustListen
		return nil, o.cannot(err)
	}
	host, port, _ := net.SplitHostPort(l.Addr().String())
	e.println(e.say.Say("serve-authority-trust", finding.Args{"url": finding.Text("http://" + net.JoinHostPort(t.reached(host), port) + authority.PagePath)}))
	server := &http.Server{Handler: t.page, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: 20 * time.Second, WriteTimeout: time.Minute, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10}
	go func() { done <- server.Serve(l) }()
	return func() { server.Close() }, nil
}

// reached is how others reach a listener: itself, or where it listens
// everywhere an IPv4 address of the machine, which is the shortest to type,
// else the first name.
func (t *trusted) reached(host string) string {
	if ip := net.ParseIP(host); ip == nil || !ip.IsUnspecified() {
		return host
	}
	names := t.authority.Names()
	for _, h := range names {
		if ip := net.ParseIP(h); ip != nil && ip.To4() != nil && !ip.IsLoopback() {
			return h
		}
	}
	return names[0]
}
