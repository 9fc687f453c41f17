// Package authority is HTTPS for phones on a local network without a public
// name: a certificate authority of the estate's own, kept beside the data, that
// may speak for a few names and for private addresses only, and server
// certificates by it that renew themselves. It also shows people how to trust
// it (Page). Why: docs/decisions/0008-local-authority.md.
package authority

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/hex"
	"encoding/pem"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"sapward/finding"
)

// How long certificates last. Browsers accept 398 days at most of public
// authorities (CA/Browser Forum, Baseline Requirements 6.3.2); ours stay far
// below. The rest are program defaults.
const (
	authorityYears = 5
	serverFor      = 90 * 24 * time.Hour
	renewBefore    = 30 * 24 * time.Hour
	// early sets the beginning back, for phones whose clock is slow.
	early = 25 * time.Hour
	// EndsSoon is how long before its end an authority is reported to end.
	EndsSoon = 180 * 24 * time.Hour
)

// FileName is the file that holds the authority's certificate and key.
const FileName = "authority.pem"

// private are the address ranges an authority may speak for: those that no
// router of the internet carries (RFC 1918, RFC 3927, RFC 4193, RFC 4291) and
// the machine itself.
var private = []netip.Prefix{
	netip.MustParsePrefix("10.0.0.0/8"), netip.MustParsePrefix("172.16.0.0/12"), netip.MustParsePrefix("192.168.0.0/16"),
	netip.MustParsePrefix("169.254.0.0/16"), netip.MustParsePrefix("127.0.0.0/8"),
	netip.MustParsePrefix("fc00::/7"), netip.MustParsePrefix("fe80::/10"), netip.MustParsePrefix("::1/128"),
}

// Options say where an authority is kept and what it speaks for.
type Options struct {
	Dir       string              // folder of its own, made with mode 0700
	Hosts     []string            // names and addresses asked for: refused where the authority may not
	Machine   string              // the machine's own name; left out where the authority may not
	Addresses func() []netip.Addr // the machine's own addresses; nil: OwnAddresses
	Now       func() time.Time    // nil: time.Now
}

// Authority signs this server's certificates.
type Authority struct {
	Made bool // in this run: nobody trusts it yet
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
	path string
	opt  Options
	leaf leaf
}

// Open reads the authority of a folder, or makes one where there is none yet,
// for the names asked for, the machine's name, localhost and private addresses.
//
// Faults, one clear line each: a name that cannot be one, a file that others
// may read, that is broken or has ended, a name the authority may not speak
// for, a folder that cannot be written.
func Open(o Options) (*Authority, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Addresses == nil {
		o.Addresses = OwnAddresses
	}
	var faults finding.Faults
	for i, h := range o.Hosts {
		name, ok := tidyHost(h)
		if !ok {
			faults = append(faults, &finding.Fault{Class: finding.Usage, ID: "authority-host", Args: finding.Args{"host": finding.Text(h)}})
			continue
		}
		if i == 0 {
			o.Hosts = slices.Clone(o.Hosts)
		}
		o.Hosts[i] = name
	}
	if len(faults) > 0 {
		return nil, faults
	}
	if name, ok := tidyHost(o.Machine); ok {
		o.Machine = name
	} else {
		o.Machine = ""
	}
	a := &Authority{path: filepath.Join(o.Dir, FileName), opt: o}
	data, err := os.ReadFile(a.path)
	switch {
	case os.IsNotExist(err):
		if err := a.create(); err != nil {
			return nil, a.fault("authority-cannot", err)
		}
		if data, err = os.ReadFile(a.path); err != nil {
			return nil, a.fault("authority-cannot", err)
		}
	case err != nil:
		return nil, a.fault("authority-cannot", err)
	}
	if err := a.private(); err != nil {
		return nil, err
	}
	if err := a.load(data); err != nil {
		return nil, err
	}
	for _, h := range o.Hosts {
		if !a.MaySpeakFor(h) {
			f := a.fault("authority-host-outside", nil)
			f.Args["host"], f.Args["names"] = finding.Text(h), finding.Text(strings.Join(a.Permitted(), ", "))
			faults = append(faults, f)
		}
	}
	if len(faults) > 0 {
		return nil, faults
	}
	if _, err := a.renewed(netip.Addr{}); err != nil {
		return nil, err
	}
	return a, nil
}

func (a *Authority) fault(id string, cause error) *finding.Fault {
	f := &finding.Fault{Class: finding.BadInput, ID: id, Where: finding.Where{File: a.path}, Cause: cause, Args: finding.Args{"folder": finding.Text(filepath.Dir(a.path))}}
	if cause != nil {
		f.Args["reason"] = finding.Text(plain(cause))
	}
	return f
}

// plain is what the system said, without the path, which stands before it.
func plain(err error) string {
	if pe, ok := err.(*os.PathError); ok {
		return pe.Err.Error()
	}
	if le, ok := err.(*os.LinkError); ok {
		return le.Err.Error()
	}
	return err.Error()
}

// create makes a key and a certificate for it and puts both in place in one
// step, so that no half of them is ever read.
func (a *Authority) create() error {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return err
	}
	serial, err := newSerial()
	if err != nil {
		return err
	}
	now := a.opt.Now()
	t := &x509.Certificate{
		SerialNumber: serial,
		Subject:      pkix.Name{CommonName: "Sapward local authority " + strings.ToUpper(serial.Text(16)[:6])},
		NotBefore:    now.Add(-early).UTC(), NotAfter: now.AddDate(authorityYears, 0, 0).UTC(),
		IsCA: true, BasicConstraintsValid: true, MaxPathLenZero: true,
		KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageCRLSign, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		PermittedDNSDomainsCritical: true, PermittedDNSDomains: []string{"localhost"},
		// No address of mail and no URI: only what is below a name that can never be (RFC 2606).
		PermittedEmailAddresses: []string{"invalid"}, PermittedURIDomains: []string{"invalid"},
	}
	for _, p := range private {
		t.PermittedIPRanges = append(t.PermittedIPRanges, network(p))
	}
	for _, h := range append(slices.Clone(a.opt.Hosts), a.opt.Machine) {
		if ip, err := netip.ParseAddr(h); err == nil {
			if !isPrivate(ip) {
				t.PermittedIPRanges = append(t.PermittedIPRanges, network(netip.PrefixFrom(ip, ip.BitLen())))
			}
		} else if h != "" && !slices.Contains(t.PermittedDNSDomains, h) {
			t.PermittedDNSDomains = append(t.PermittedDNSDomains, h)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, t, &key.PublicKey, key)
	if err != nil {
		return err
	}
	raw, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	_ = pem.Encode(&b, &pem.Block{Type: "CERTIFICATE", Bytes: der})
	_ = pem.Encode(&b, &pem.Block{Type: "PRIVATE KEY", Bytes: raw})
	if err := os.MkdirAll(filepath.Dir(a.path), 0o700); err != nil {
		return err
	}
	if err := putNew(a.path, b.Bytes()); err != nil {
		return err
	}
	a.Made = true
	return nil
}

// putNew writes a file that is not there yet, whole or not at all, with mode
// 0600.
func putNew(path string, data []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*") // mode 0600
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err == nil {
		err = e
	}
	if err != nil {
		return err
	}
	if _, err := os.Lstat(path); err == nil {
		return nil // another process was first; its authority counts
	}
	return os.Rename(f.Name(), path)
}

// private refuses a key that others on the machine may read. Windows keeps
// rights otherwise; there the folder's own rights count.
func (a *Authority) private() error {
	if runtime.GOOS == "windows" {
		return nil
	}
	st, err := os.Stat(a.path)
	if err != nil {
		return a.fault("authority-cannot", err)
	}
	if st.Mode().Perm()&0o077 != 0 {
		f := a.fault("authority-readable", nil)
		f.Args["mode"] = finding.Text("0" + big.NewInt(int64(st.Mode().Perm())).Text(8))
		return f
	}
	return nil
}

// load reads certificate and key and refuses what does not belong together or
// has ended.
func (a *Authority) load(data []byte) error {
	broken := func(what string) error {
		f := a.fault("authority-broken", nil)
		f.Args["what_by"] = finding.Text(what)
		return f
	}
	for rest := data; ; {
		var block *pem.Block
		if block, rest = pem.Decode(rest); block == nil {
			break
		}
		switch block.Type {
		case "CERTIFICATE":
			c, err := x509.ParseCertificate(block.Bytes)
			if err != nil {
				return broken("authority-broken-certificate")
			}
			a.cert = c
		case "PRIVATE KEY":
			k, err := x509.ParsePKCS8PrivateKey(block.Bytes)
			if key, ok := k.(*ecdsa.PrivateKey); ok && err == nil {
				a.key = key
			} else {
				return broken("authority-broken-key")
			}
		}
	}
	switch {
	case a.cert == nil:
		return broken("authority-broken-certificate")
	case a.key == nil:
		return broken("authority-broken-key")
	case !a.key.PublicKey.Equal(a.cert.PublicKey):
		return broken("authority-broken-pair")
	case !a.cert.IsCA || len(a.cert.PermittedDNSDomains) == 0 || len(a.cert.PermittedIPRanges) == 0 || a.cert.CheckSignature(a.cert.SignatureAlgorithm, a.cert.RawTBSCertificate, a.cert.Signature) != nil:
		return broken("authority-broken-kind")
	}
	if now := a.opt.Now(); now.After(a.cert.NotAfter) || now.Before(a.cert.NotBefore) {
		f := a.fault("authority-ended", nil)
		f.Args["from"], f.Args["until"] = finding.Text(a.cert.NotBefore.Format(time.DateOnly)), finding.Text(a.cert.NotAfter.Format(time.DateOnly))
		return f
	}
	return nil
}

// Certificate is the authority's certificate in DER form; it is public.
func (a *Authority) Certificate() []byte { return slices.Clone(a.cert.Raw) }

// Path is the file of the authority.
func (a *Authority) Path() string { return a.path }

// Name is the name under which devices list the authority.
func (a *Authority) Name() string { return a.cert.Subject.CommonName }

// Until is when the authority ends.
func (a *Authority) Until() time.Time { return a.cert.NotAfter }

// Fingerprint is the SHA-256 of the certificate as devices show it: 32 pairs of
// hexadecimal digits, here in eight groups of four pairs.
func (a *Authority) Fingerprint() []string {
	sum := sha256.Sum256(a.cert.Raw)
	s := strings.ToUpper(hex.EncodeToString(sum[:]))
	out := make([]string, 8)
	for i := range out {
		g := s[8*i : 8*i+8]
		out[i] = g[:2] + ":" + g[2:4] + ":" + g[4:6] + ":" + g[6:]
	}
	return out
}

// Permitted lists what the authority may speak for: names, then address
// ranges.
func (a *Authority) Permitted() []string {
	out := slices.Clone(a.cert.PermittedDNSDomains)
	for _, n := range a.cert.PermittedIPRanges {
		out = append(out, n.String())
	}
	return out
}

// MaySpeakFor reports whether the authority may sign for a name or address:
// one of its names, something below one, or an address of its ranges.
func (a *Authority) MaySpeakFor(host string) bool {
	if ip := net.ParseIP(host); ip != nil {
		for _, n := range a.cert.PermittedIPRanges {
			if n.Contains(ip) {
				return true
			}
		}
		return false
	}
	for _, d := range a.cert.PermittedDNSDomains {
		if host == d || strings.HasSuffix(host, "."+d) {
			return true
		}
	}
	return false
}

func network(p netip.Prefix) *net.IPNet {
	return &net.IPNet{IP: net.IP(p.Masked().Addr().AsSlice()), Mask: net.CIDRMask(p.Bits(), p.Addr().BitLen())}
}

func isPrivate(ip netip.Addr) bool {
	for _, p := range private {
		if p.Contains(ip) {
			return true
		}
	}
	return false
}

func newSerial() (*big.Int, error) {
	raw := make([]byte, 16)
	if _, err := rand.Read(raw); err != nil {
		return nil, err
	}
	raw[0] = raw[0]&0x7f | 0x40 // positive, always as long (RFC 5280, 4.1.2.2)
	return new(big.Int).SetBytes(raw), nil
}
