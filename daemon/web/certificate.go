package web

import (
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
