package authority_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"sapward/finding"
	"sapward/internal/authority"
	"sapward/internal/lang"
)

// clock is a clock that the test moves.
type clock struct{ t time.Time }

func (c *clock) now() time.Time { return c.t }

// The machine of these tests is invented.
func options(dir string, c *clock) authority.Options {
	return authority.Options{Dir: dir, Hosts: []string{"Trees.example"}, Machine: "box.local", Now: c.now, Addresses: func() []netip.Addr {
		return []netip.Addr{netip.MustParseAddr("192.168.7.20"), netip.MustParseAddr("203.0.113.9"), netip.MustParseAddr("fd00::20")}
	}}
}

func open(t *testing.T, o authority.Options) *authority.Authority {
	t.Helper()
	a, err := authority.Open(o)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func here() *clock { return &clock{time.Now()} }

// hand returns the certificate that a listener hands out.
func hand(t *testing.T, a *authority.Authority) *x509.Certificate {
	t.Helper()
	c, err := a.TLS().GetCertificate(&tls.ClientHelloInfo{})
	if err != nil {
		t.Fatal(err)
	}
	return c.Leaf
}

func pool(t *testing.T, a *authority.Authority) *x509.CertPool {
	t.Helper()
	c, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	p := x509.NewCertPool()
	p.AddCert(c)
	return p
}

// What RFC 5280 and the names asked for make of the certificates.
func TestOpen_MakesALimitedAuthority(t *testing.T) {
	c := here()
	a := open(t, options(filepath.Join(t.TempDir(), "a"), c))
	x, err := x509.ParseCertificate(a.Certificate())
	if err != nil {
		t.Fatal(err)
	}
	if !a.Made || !x.IsCA || !x.MaxPathLenZero || !x.PermittedDNSDomainsCritical || x.KeyUsage&x509.KeyUsageCertSign == 0 || x.PublicKeyAlgorithm != x509.ECDSA || x.PublicKey.(*ecdsa.PublicKey).Curve != elliptic.P256() {
		t.Errorf("authority %+v", x)
	}
	if want := []string{"localhost", "trees.example", "box.local"}; !slices.Equal(x.PermittedDNSDomains, want) {
		t.Errorf("names %v, wanted %v", x.PermittedDNSDomains, want)
	}
	if years := x.NotAfter.Sub(c.t).Hours() / 8766; years < 4.9 || years > 5.1 {
		t.Errorf("it lasts %.2f years", years)
	}
	l := hand(t, a)
	if d := l.NotAfter.Sub(l.NotBefore); d > 397*24*time.Hour || d < 60*24*time.Hour {
		t.Errorf("the server's certificate lasts %v", d)
	}
	if want := []string{"trees.example", "box.local", "localhost"}; !slices.Equal(l.DNSNames, want) {
		t.Errorf("server names %v, wanted %v", l.DNSNames, want)
	}
	var ips []string
	for _, ip := range l.IPAddresses {
		ips = append(ips, ip.String())
	}
	if want := []string{"192.168.7.20", "fd00::20", "127.0.0.1", "::1"}; !slices.Equal(ips, want) {
		t.Errorf("server addresses %v, wanted %v: a public address is left out", ips, want)
	}
	if !slices.Equal(a.Names(), []string{"trees.example", "box.local", "192.168.7.20", "fd00::20", "localhost", "127.0.0.1", "::1"}) {
		t.Errorf("names %v", a.Names())
	}
	for host, want := range map[string]bool{"trees.example": true, "a.trees.example": true, "xtrees.example": false, "example": false, "localhost": true, "10.255.0.1": true, "11.0.0.1": false, "172.16.0.1": true, "172.32.0.1": false, "192.168.255.255": true, "192.169.0.1": false, "fd12::1": true, "2001:db8::1": false, "203.0.113.9": false} {
		if got := a.MaySpeakFor(host); got != want {
			t.Errorf("%s: %v", host, got)
		}
	}
	sum := sha256.Sum256(a.Certificate())
	if got := strings.ReplaceAll(strings.Join(a.Fingerprint(), ""), ":", ""); got != strings.ToUpper(hex.EncodeToString(sum[:])) {
		t.Errorf("fingerprint %s", got)
	}
}

// The second start reads what the first one made; the key is for its owner
// alone.
func TestOpen_KeepsIt(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a")
	c := here()
	first, again := open(t, options(dir, c)), open(t, options(dir, c))
	if again.Made || !bytes.Equal(first.Certificate(), again.Certificate()) {
		t.Error("another authority came out")
	}
	if bytes.Equal(hand(t, first).Raw, hand(t, again).Raw) {
		t.Error("the server's key was kept")
	}
	if runtime.GOOS == "windows" {
		fmt.Println("Windows keeps rights otherwise; modes are not looked at")
		return
	}
	for path, want := range map[string]os.FileMode{dir: 0o700, first.Path(): 0o600} {
		st, err := os.Stat(path)
		if err != nil || st.Mode().Perm() != want {
			t.Errorf("%s: mode %v, wanted %v (%v)", path, st.Mode().Perm(), want, err)
		}
	}
	if names, err := os.ReadDir(dir); err != nil || len(names) != 1 {
		t.Errorf("the folder holds %v, %v", names, err)
	}
}

// A client that trusts this authority and nothing else gets through to every
// allowed name and address, and to no other: neither where the server's
// certificate lacks the name, nor where the authority's own key signs for a
// name or an address that it may not speak for.
func TestClient_IsLetInAndRefused(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a")
	a := open(t, options(dir, here()))
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, r.Proto) })}
	go s.Serve(tls.NewListener(l, a.TLS()))
	defer s.Close()
	get := func(port net.Addr, host string) (string, error) {
		tr := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool(t, a), ServerName: host}, ForceAttemptHTTP2: true}
		defer tr.CloseIdleConnections()
		r, err := (&http.Client{Transport: tr, Timeout: 20 * time.Second}).Get("https://" + port.String())
		if err != nil {
			return "", err
		}
		defer r.Body.Close()
		b, err := io.ReadAll(r.Body)
		return string(b), err
	}
	for _, host := range []string{"trees.example", "box.local", "localhost", "127.0.0.1", "192.168.7.20", "fd00::20"} {
		if got, err := get(l.Addr(), host); err != nil || got != "HTTP/2.0" {
			t.Errorf("%s: %q, %v", host, got, err)
		}
	}
	for _, host := range []string{"bank.example", "other.local", "192.168.7.21", "203.0.113.9"} {
		if _, err := get(l.Addr(), host); err == nil {
			t.Errorf("%s was let in", host)
		}
	}
	// Somebody has the key: still refused for what is outside.
	data, err := os.ReadFile(a.Path())
	if err != nil {
		t.Fatal(err)
	}
	block, rest := pem.Decode(data)
	root, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	block, _ = pem.Decode(rest)
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		t.Fatal(err)
	}
	for host, allowed := range map[string]bool{"deep.trees.example": true, "10.1.2.3": true, "bank.example": false, "203.0.113.9": false, "2001:db8::5": false} {
		own, _ := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
		x := &x509.Certificate{SerialNumber: big.NewInt(7), Subject: pkix.Name{CommonName: "x"}, NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}}
		if ip := net.ParseIP(host); ip != nil {
			x.IPAddresses = []net.IP{ip}
		} else {
			x.DNSNames = []string{host}
		}
		der, err := x509.CreateCertificate(rand.Reader, x, root, &own.PublicKey, key)
		if err != nil {
			t.Fatal(err)
		}
		forged := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { io.WriteString(w, "x") }))
		forged.Config.ErrorLog = nil
		forged.TLS = &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: own}}}
		forged.StartTLS()
		_, err = get(forged.Listener.Addr(), host)
		forged.Close()
		var invalid x509.CertificateInvalidError
		if allowed && err != nil || !allowed && (!errors.As(err, &invalid) || invalid.Reason != x509.CANotAuthorizedForThisName) {
			t.Errorf("signed for %s: %v", host, err)
		}
		otherProgram(t, a, der, allowed, host)
	}
}

// otherProgram asks OpenSSL the same.
func otherProgram(t *testing.T, a *authority.Authority, der []byte, allowed bool, host string) {
	t.Helper()
	openssl, err := exec.LookPath("openssl")
	if err != nil {
		fmt.Println("openssl is not installed; no other program judges the certificates")
		return
	}
	dir := t.TempDir()
	root, leaf := filepath.Join(dir, "root.pem"), filepath.Join(dir, "leaf.pem")
	for path, raw := range map[string][]byte{root: a.Certificate(), leaf: der} {
		if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: raw}), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	out, err := exec.Command(openssl, "verify", "-x509_strict", "-purpose", "sslserver", "-CAfile", root, leaf).CombinedOutput()
	if strings.Contains(string(out), "Authority Key Identifier") || allowed != (err == nil) || !allowed && !strings.Contains(string(out), "permitted subtree violation") {
		t.Errorf("openssl for %s: %v %s", host, err, out)
	}
}

// A moved clock: the certificate stays until 30 days before its end, then
// another comes without a restart; at the authority's own end no certificate
// outlives it.
func TestRenewal_ByAMovedClock(t *testing.T) {
	c := here()
	o := options(filepath.Join(t.TempDir(), "a"), c)
	a := open(t, o)
	first := hand(t, a)
	c.t = first.NotAfter.Add(-31 * 24 * time.Hour)
	if !bytes.Equal(hand(t, a).Raw, first.Raw) {
		t.Error("renewed too early")
	}
	c.t = first.NotAfter.Add(-29 * 24 * time.Hour)
	second := hand(t, a)
	if bytes.Equal(second.Raw, first.Raw) || !second.NotAfter.After(first.NotAfter) || second.PublicKey.(*ecdsa.PublicKey).Equal(first.PublicKey) {
		t.Error("not renewed with a new key")
	}
	for c.t.Before(a.Until().Add(-24 * time.Hour)) { // five years, a week at a time
		l := hand(t, a)
		if c.t.After(l.NotAfter) || c.t.Before(l.NotBefore) || l.NotAfter.After(a.Until()) || l.NotAfter.Sub(l.NotBefore) > 397*24*time.Hour {
			t.Fatalf("on %s a certificate from %s to %s", c.t, l.NotBefore, l.NotAfter)
		}
		if _, err := l.Verify(x509.VerifyOptions{Roots: pool(t, a), CurrentTime: c.t, DNSName: "box.local"}); err != nil {
			t.Fatalf("on %s: %v", c.t, err)
		}
		c.t = c.t.Add(7 * 24 * time.Hour)
	}
	c.t = a.Until().Add(time.Hour)
	if _, err := authority.Open(o); id(err) != "authority-ended" {
		t.Errorf("after its end: %v", err)
	}
	c.t = first.NotBefore.Add(-48 * time.Hour)
	if _, err := authority.Open(o); id(err) != "authority-ended" {
		t.Errorf("before its beginning: %v", err)
	}
}

// The machine gets another address while it serves: a client that comes to it
// finds it in the certificate; a public one is not taken in.
type visit struct {
	net.Conn
	at net.Addr
}

func (v visit) LocalAddr() net.Addr { return v.at }

func TestTLS_TakesInANewAddress(t *testing.T) {
	a := open(t, options(filepath.Join(t.TempDir(), "a"), here()))
	before := hand(t, a)
	for address, in := range map[string]bool{"192.168.9.9": true, "198.51.100.7": false} {
		c, err := a.TLS().GetCertificate(&tls.ClientHelloInfo{Conn: visit{at: &net.TCPAddr{IP: net.ParseIP(address), Port: 8443}}})
		if err != nil {
			t.Fatal(err)
		}
		if got := c.Leaf.VerifyHostname(address) == nil; got != in {
			t.Errorf("%s in the certificate: %v", address, got)
		}
	}
	if before.VerifyHostname("192.168.9.9") == nil {
		t.Error("the address was there before")
	}
}

func id(err error) string {
	fs := finding.AsFaults(err)
	if len(fs) != 1 {
		return fmt.Sprint(err)
	}
	return fs[0].ID
}

// Every file that cannot be used gives one line that says what and how to mend
// it, in both languages, and exit status 2.
func TestOpen_SaysWhatIsWrong(t *testing.T) {
	whole := func(t *testing.T, dir string) []byte {
		a := open(t, options(dir, here()))
		data, err := os.ReadFile(a.Path())
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	put := func(t *testing.T, dir string, data []byte, mode os.FileMode) {
		t.Helper()
		path := filepath.Join(dir, authority.FileName)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chmod(path, mode); err != nil {
			t.Fatal(err)
		}
	}
	for name, c := range map[string]struct {
		id     string
		change func(t *testing.T, dir string, o *authority.Options)
	}{
		"empty": {"authority-broken", func(t *testing.T, dir string, o *authority.Options) { put(t, dir, nil, 0o600) }},
		"no key": {"authority-broken", func(t *testing.T, dir string, o *authority.Options) {
			d := whole(t, dir)
			put(t, dir, d[:bytes.Index(d, []byte("-----BEGIN PRIVATE"))], 0o600)
		}},
		"cut off": {"authority-broken", func(t *testing.T, dir string, o *authority.Options) {
			d := whole(t, dir)
			put(t, dir, d[:len(d)/3], 0o600)
		}},
		"other key": {"authority-broken", func(t *testing.T, dir string, o *authority.Options) {
			d, e := whole(t, dir), whole(t, t.TempDir())
			put(t, dir, append(d[:bytes.Index(d, []byte("-----BEGIN PRIVATE")):bytes.Index(d, []byte("-----BEGIN PRIVATE"))], e[bytes.Index(e, []byte("-----BEGIN PRIVATE")):]...), 0o600)
		}},
		"readable": {"authority-readable", func(t *testing.T, dir string, o *authority.Options) { put(t, dir, whole(t, dir), 0o640) }},
		"a folder": {"authority-cannot", func(t *testing.T, dir string, o *authority.Options) {
			if err := os.Mkdir(filepath.Join(dir, authority.FileName), 0o700); err != nil {
				t.Fatal(err)
			}
		}},
		"no folder": {"authority-cannot", func(t *testing.T, dir string, o *authority.Options) {
			o.Dir = filepath.Join(dir, "file", "a")
			if err := os.WriteFile(filepath.Join(dir, "file"), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}},
		"outside": {"authority-host-outside", func(t *testing.T, dir string, o *authority.Options) {
			whole(t, dir)
			o.Hosts = append(o.Hosts, "other.example")
		}},
		"outside ip":  {"authority-host-outside", func(t *testing.T, dir string, o *authority.Options) { whole(t, dir); o.Hosts = []string{"203.0.113.9"} }},
		"wildcard":    {"authority-host", func(t *testing.T, dir string, o *authority.Options) { o.Hosts = []string{"*.example"} }},
		"with scheme": {"authority-host", func(t *testing.T, dir string, o *authority.Options) { o.Hosts = []string{"https://trees.example"} }},
		"with port":   {"authority-host", func(t *testing.T, dir string, o *authority.Options) { o.Hosts = []string{"trees.example:8443"} }},
		"bad address": {"authority-host", func(t *testing.T, dir string, o *authority.Options) { o.Hosts = []string{"192.168.7.256"} }},
	} {
		t.Run(name, func(t *testing.T) {
			if runtime.GOOS == "windows" && name == "readable" {
				fmt.Println("Windows keeps rights otherwise; modes are not looked at")
				t.Skip("Windows keeps rights otherwise")
			}
			dir := t.TempDir()
			o := options(dir, here())
			c.change(t, dir, &o)
			a, err := authority.Open(o)
			if a != nil || id(err) != c.id {
				t.Fatalf("%v, %v; wanted %s", a, err, c.id)
			}
			f := finding.AsFaults(err)[0]
			if f.ExitStatus() != 2 {
				t.Errorf("exit status %d", f.ExitStatus())
			}
			for _, l := range lang.Languages {
				if s := lang.New(l, "metric").Fault(f); strings.ContainsAny(s, "\n") || strings.Contains(s, "<no value>") || strings.Contains(s, "authority-b") || len(s) < 60 {
					t.Errorf("%s: %q", l, s)
				}
			}
		})
	}
	// A public address that was asked for when the authority was made is allowed.
	o := options(t.TempDir(), here())
	o.Hosts = []string{"203.0.113.9"}
	if a := open(t, o); !a.MaySpeakFor("203.0.113.9") || a.MaySpeakFor("203.0.113.10") {
		t.Errorf("permitted: %v", a.Permitted())
	}
}
