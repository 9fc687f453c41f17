package authority

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"time"
)

// leaf is the server's certificate. Its key is never on a disk: each start and
// each renewal makes another.
type leaf struct {
	mu   sync.Mutex
	cert *tls.Certificate
}

// TLS is the configuration of a listener: it hands out the server's
// certificate and renews it in time.
func (a *Authority) TLS() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}, GetCertificate: func(hello *tls.ClientHelloInfo) (*tls.Certificate, error) {
		var here netip.Addr
		if hello.Conn != nil {
			if addr, ok := hello.Conn.LocalAddr().(*net.TCPAddr); ok {
				here = addr.AddrPort().Addr().Unmap().WithZone("")
			}
		}
		return a.renewed(here)
	}}
}

// renewed is the server's certificate, a new one where the last ends soon or
// does not hold the address that a client came to: the machine may get another
// address while it serves.
func (a *Authority) renewed(here netip.Addr) (*tls.Certificate, error) {
	a.leaf.mu.Lock()
	defer a.leaf.mu.Unlock()
	now := a.opt.Now()
	if c := a.leaf.cert; c != nil {
		x := c.Leaf
		fresh := now.Before(x.NotAfter.Add(-renewBefore)) || x.NotAfter.Equal(a.cert.NotAfter)
		if fresh && !now.Before(x.NotBefore) && (!here.IsValid() || !a.MaySpeakFor(here.String()) || slices.ContainsFunc(x.IPAddresses, net.IP(here.AsSlice()).Equal)) {
			return c, nil
		}
	}
	c, err := a.issue(now, here)
	if err != nil {
		return nil, err
	}
	a.leaf.cert = c
	return c, nil
}

// issue signs a certificate for all names and addresses of the moment.
func (a *Authority) issue(now time.Time, here netip.Addr) (*tls.Certificate, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	serial, err := newSerial()
	if err != nil {
		return nil, err
	}
	t := &x509.Certificate{
		SerialNumber: serial, Subject: pkix.Name{CommonName: "Sapward"},
		NotBefore: later(now.Add(-early), a.cert.NotBefore).UTC(), NotAfter: now.Add(serverFor - early).UTC(),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth}, BasicConstraintsValid: true,
	}
	if t.NotAfter.After(a.cert.NotAfter) {
		t.NotAfter = a.cert.NotAfter
	}
	for _, h := range a.names(here) {
		if ip, err := netip.ParseAddr(h); err == nil {
			t.IPAddresses = append(t.IPAddresses, net.IP(ip.AsSlice()))
		} else {
			t.DNSNames = append(t.DNSNames, h)
		}
	}
	der, err := x509.CreateCertificate(rand.Reader, t, a.cert, &key.PublicKey, a.key)
	if err != nil {
		return nil, err
	}
	x, err := x509.ParseCertificate(der)
	if err != nil {
		return nil, err
	}
	return &tls.Certificate{Certificate: [][]byte{der, a.cert.Raw}, PrivateKey: key, Leaf: x}, nil
}

// Names are the names and addresses that a phone can use now.
func (a *Authority) Names() []string { return a.names(netip.Addr{}) }

// names are those asked for, the machine's own that the authority may speak
// for, and the address somebody came to.
func (a *Authority) names(here netip.Addr) []string {
	all := slices.Clone(a.opt.Hosts)
	all = append(all, a.opt.Machine)
	for _, ip := range append(a.opt.Addresses(), here) {
		if ip.IsValid() {
			all = append(all, ip.Unmap().WithZone("").String())
		}
	}
	all = append(all, "localhost", "127.0.0.1", "::1")
	var out []string
	for _, h := range all {
		if h != "" && a.MaySpeakFor(h) && !slices.Contains(out, h) {
			out = append(out, h)
		}
	}
	return out
}

// OwnAddresses are the addresses of the machine's network interfaces, without
// those of IPv6 that need an interface's name.
func OwnAddresses() []netip.Addr {
	list, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	var out []netip.Addr
	for _, x := range list {
		n, ok := x.(*net.IPNet)
		if !ok {
			continue
		}
		ip, ok := netip.AddrFromSlice(n.IP)
		if ip = ip.Unmap(); ok && !ip.IsLoopback() && !ip.IsMulticast() && !(ip.Is6() && ip.IsLinkLocalUnicast()) {
			out = append(out, ip)
		}
	}
	return out
}

// tidyHost returns a name or address in its plain form: small letters, no
// final dot. A name has letters, digits and hyphens in parts of 1 to 63 (RFC
// 1123); a wildcard is none.
func tidyHost(h string) (string, bool) {
	h = strings.ToLower(strings.TrimSpace(h))
	if ip, err := netip.ParseAddr(strings.Trim(h, "[]")); err == nil {
		return ip.Unmap().WithZone("").String(), !ip.IsUnspecified() && !ip.IsMulticast()
	}
	h = strings.TrimSuffix(h, ".")
	if h == "" || len(h) > 253 {
		return "", false
	}
	digits := true
	for _, part := range strings.Split(h, ".") {
		if part == "" || len(part) > 63 || part[0] == '-' || part[len(part)-1] == '-' {
			return "", false
		}
		digits = true
		for _, c := range part {
			if (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
				return "", false
			}
			digits = digits && c >= '0' && c <= '9'
		}
	}
	return h, !digits // 192.168.7 and 256.1.1.1 are mistyped addresses
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
