package daemon

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/broker"
	"standwatch/daemon/web"
	"standwatch/sensors"
)

// until writes a certificate that ends then, with its key, into one file.
func until(t *testing.T, file string, end time.Time) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	c := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: end.Add(-90 * 24 * time.Hour), NotAfter: end, DNSNames: []string{"box.example.org"}}
	der, err := x509.CreateCertificate(rand.Reader, c, c, &key.PublicKey, key)
	own, err2 := x509.MarshalPKCS8PrivateKey(key)
	both := append(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: own})...)
	if err = errors.Join(err, err2, os.WriteFile(file, both, 0o600), os.Chtimes(file, time.Time{}, end)); err != nil {
		t.Fatal(err)
	}
}

// The certificates of the pages and of the broker in the box are told of a week before they
// end (RFC 5280, section 4.1.2.5: notAfter is the last moment), and once they are renewed.
func TestCertificatesThatEndAreToldOf(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, day := t.TempDir(), 24*time.Hour
		pages, own := filepath.Join(dir, "pages.pem"), filepath.Join(dir, "broker.pem")
		until(t, pages, time.Now().Add(30*day))
		until(t, own, time.Now().Add(10*day))
		s := &Site{Web: web.Config{Listen: "0.0.0.0:8443", Names: []string{"box.example.org"}, Certificate: pages, Key: pages},
			Brokers: map[string]broker.Config{"site": {Cert: own, Key: own}, "plain": {}}}
		d, j := box(t, t.TempDir(), script(func(context.Context, sensors.Emit) {}))
		d.parts.Certificates = s.Certificates()
		stands := func(of string) (said string) {
			for _, x := range d.Now().Devices {
				if x.Name == "certificate of "+of && !x.OK {
					said = x.Sentence
				}
			}
			return said
		}
		want := func(at string, pages, broker string) {
			t.Helper()
			synctest.Wait()
			if got := stands("the pages"); (got == "") != (pages == "") || !strings.Contains(got, pages) {
				t.Errorf("%s: of the pages it says %q, want %q", at, got, pages)
			}
			if got := stands("the broker site"); (got == "") != (broker == "") || !strings.Contains(got, broker) {
				t.Errorf("%s: of the broker it says %q, want %q", at, got, broker)
			}
		}
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { defer close(done); d.watchCertificates(ctx) }()
		want("at first", "", "")
		time.Sleep(3*day + 2*time.Hour)
		want("a week before", "", "runs out on 2000-01-11")
		time.Sleep(7 * day)
		want("past its end", "", "ran out on 2000-01-11: instruments that look at it refuse it")
		until(t, own, time.Now().Add(90*day))
		time.Sleep(2 * time.Hour)
		want("renewed", "", "")
		time.Sleep(14 * day)
		want("a week before that of the pages ends", "runs out on 2000-01-31", "")
		time.Sleep(7 * day)
		want("past its end", "ran out on 2000-01-31: browsers refuse it", "")
		stop()
		<-done
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}
	})
}
