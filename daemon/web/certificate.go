package web

import (
	"cmp"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"fmt"
	"io/fs"
	"math/big"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// The box's own certificate. It lasts as long as a start-up and its defects
// may, and a new one is made at a start shortly before its end. Our choice.
const (
	certificateFile  = "web.pem" // certificate and key, for the box alone
	certificateLasts = 397 * 24 * time.Hour
	certificateEarly = 30 * 24 * time.Hour
)

// ownCertificate reads the box's own certificate from its data folder, or makes
// one. built is before any time at which this program can run: a clock that
// says less was never set, and a certificate made by it would not be valid yet
// on any phone.
func ownCertificate(dir, box string, names []string, addresses []netip.Addr, built, now time.Time) (*tls.Certificate, error) {
	if now.Before(built) {
		return nil, fmt.Errorf("the clock says %s, which cannot be: the box makes its certificate once the clock is right; connect it to a network, or set its clock", now.UTC().Format(time.DateOnly))
	}
	path := filepath.Join(dir, certificateFile)
	both, err := os.ReadFile(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, fmt.Errorf("the box's certificate: %w", err)
	default:
		c, err := tls.X509KeyPair(both, both)
		if err != nil {
			return nil, fmt.Errorf("the box's certificate, %s, cannot be read: %w; remove it, and a new one with another fingerprint is made", path, err)
		}
		if now.Add(certificateEarly).Before(c.Leaf.NotAfter) {
			return &c, nil
		}
	}
	if both, err = makeCertificate(box, names, addresses, built, now); err != nil {
		return nil, err
	}
	if err := writeWhole(path, both); err != nil {
		return nil, fmt.Errorf("the box's certificate: %w", err)
	}
	c, err := tls.X509KeyPair(both, both)
	return &c, err
}

// Supplied is a certificate that somebody supplied as files. They are read anew
// when they have changed, so that renewing it needs no restart.
type Supplied struct {
	Certificate, Key string
	Shown            string // to whom; empty: browsers

	mu      sync.Mutex
	current *tls.Certificate
	looked  time.Time // when the files were last looked at
	changed time.Time // as they stood then
}

// At is the certificate as it stands; an error only where there never was a whole one.
func (s *Supplied) At(now time.Time) (*tls.Certificate, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.current != nil && now.Sub(s.looked) < time.Minute {
		return s.current, nil
	}
	s.looked = now
	info, err := os.Stat(s.Certificate)
	if err == nil && s.current != nil && info.ModTime().Equal(s.changed) {
		return s.current, nil
	}
	if err == nil {
		var c tls.Certificate
		if c, err = tls.LoadX509KeyPair(s.Certificate, s.Key); err == nil {
			s.current, s.changed = &c, info.ModTime()
		}
	}
	if err != nil && s.current == nil { // half replaced: the old one serves until the new one is whole
		return nil, fmt.Errorf("the certificate supplied: %w; look at certificate and key, which are files in PEM form that belong together", err)
	}
	return s.current, nil
}

// Fault is why the files cannot be used; nil where they can, where they are not
// here, or where only the box may read them: a site file may be checked elsewhere.
func (s *Supplied) Fault(now time.Time) error {
	_, err := s.At(now)
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// Doubt is why those who are shown it do not take the certificate by now, or soon will not; nil: they may.
// Of the names by which people come one must be in it.
func (s *Supplied) Doubt(now time.Time, names []string) error {
	c, err := s.At(now)
	if err != nil {
		return err
	}
	var covered bool
	for _, name := range names {
		covered = covered || c.Leaf.VerifyHostname(name) == nil
	}
	who := cmp.Or(s.Shown, "browsers")
	day := func(t time.Time) string { return t.UTC().Format(time.DateOnly) }
	switch {
	case now.Before(c.Leaf.NotBefore):
		return fmt.Errorf("the certificate supplied is valid only from %s, and this machine's clock says %s: %s refuse it; see which of the two is wrong", day(c.Leaf.NotBefore), day(now), who)
	case now.After(c.Leaf.NotAfter):
		return fmt.Errorf("the certificate supplied ran out on %s: %s refuse it; renew it, and it is read anew within a minute", day(c.Leaf.NotAfter), who)
	case len(names) > 0 && !covered:
		return fmt.Errorf("the certificate supplied is for %s, and people come by %s: %s refuse it; have one made for that name", strings.Join(namesIn(c.Leaf), ", "), strings.Join(names, ", "), who)
	case now.Add(suppliedEarly).After(c.Leaf.NotAfter):
		return fmt.Errorf("the certificate supplied runs out on %s; renew it, and it is read anew within a minute", day(c.Leaf.NotAfter))
	}
	return nil
}

// suppliedEarly is how long before its end it is said. Who renews by himself does so a month or a third before (common practice).
const suppliedEarly = 7 * 24 * time.Hour

func namesIn(c *x509.Certificate) (all []string) {
	all = append(all, c.DNSNames...)
	for _, ip := range c.IPAddresses {
		all = append(all, ip.String())
	}
	if len(all) == 0 {
		all = []string{"nobody"}
	}
	return all
}

func makeCertificate(box string, names []string, addresses []netip.Addr, built, now time.Time) ([]byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, err
	}
	number, err := rand.Int(rand.Reader, new(big.Int).Lsh(big.NewInt(1), 120))
	if err != nil {
		return nil, err
	}
	c := &x509.Certificate{
		SerialNumber: number, Subject: pkix.Name{CommonName: box},
		NotBefore: built, NotAfter: now.Add(certificateLasts),
		KeyUsage: x509.KeyUsageDigitalSignature, ExtKeyUsage: []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth},
		BasicConstraintsValid: true,
		DNSNames:              []string{box, box + ".local", "localhost"},
		IPAddresses:           []net.IP{net.IPv4(127, 0, 0, 1), net.IPv6loopback},
	}
	for _, name := range names {
		if ip, err := netip.ParseAddr(name); err == nil {
			addresses = append(addresses, ip)
		} else {
			c.DNSNames = append(c.DNSNames, name)
		}
	}
	for _, ip := range addresses {
		c.IPAddresses = append(c.IPAddresses, ip.AsSlice())
	}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	if err != nil {
		return nil, err
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, err
	}
	both := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	return append(both, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})...), nil
}

// writeWhole writes a file that nobody else may read, complete or not at all.
func writeWhole(path string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*") // mode 0600
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
	}
	return err
}

// fingerprint is a certificate's SHA-256 as browsers show it.
func fingerprint(c *tls.Certificate) string {
	if c == nil || len(c.Certificate) == 0 {
		return ""
	}
	sum := sha256.Sum256(c.Certificate[0])
	var pairs []string
	for _, b := range sum {
		pairs = append(pairs, fmt.Sprintf("%02X", b))
	}
	return strings.Join(pairs, ":")
}
