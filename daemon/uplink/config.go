package uplink

import (
	"crypto/x509"
	"fmt"
	"net/url"
	"os"
	"strings"
	"time"

	"standwatch/sensors"
)

// Limits of the settings. A store takes a few thousand lines at once well;
// more only makes a refused line dearer to find.
const (
	usualBatch   = 1000
	largestBatch = 5000
)

// Config is one store, as the site file has it.
type Config struct {
	Name      string // tells the store's cursor from other stores'
	URL       string
	Org       string
	Bucket    string
	Token     string
	TokenFile string // absolute, or relative to the working directory; read when it is needed
	CAFile    string // of a private authority, beside the system's; empty: none
	Batch     int    // most lines in one request
	Gzip      bool
	Timeout   time.Duration // of one request
	Every     time.Duration // how long fresh lines are gathered before they are sent
}

// Read reads the uplink part of the site file: one store, or a list of them.
// Secrets are not opened here, so that a site file can be checked anywhere.
func Read(n sensors.Node, faults *[]error) []Config {
	nodes := n.Items
	switch n.Kind {
	case sensors.Nothing:
		return nil
	case sensors.Mapping:
		nodes = []sensors.Node{n}
	case sensors.Scalar:
		*faults = append(*faults, n.Fault("uplink should be a store or a list of stores", "write uplink: {url: ..., bucket: ...}"))
		return nil
	}
	var cs []Config
	names := map[string]bool{}
	for _, one := range nodes {
		c := readStore(one, faults)
		if names[c.Name] {
			*faults = append(*faults, one.Fault(fmt.Sprintf("two stores are called %q", c.Name), "give each its own name, since each keeps its own place in the journal"))
		}
		names[c.Name] = true
		cs = append(cs, c)
	}
	return cs
}

func readStore(n sensors.Node, faults *[]error) Config {
	d := sensors.Decode(n, faults)
	c := Config{
		Name:    d.Text("name", "store"),
		URL:     d.Required("url"),
		Org:     d.Text("org", ""),
		Bucket:  d.Required("bucket"),
		Token:   d.Text("token", ""),
		CAFile:  d.Path("ca_file"),
		Gzip:    d.Bool("gzip", true),
		Timeout: d.Time("timeout", 20*time.Second),
		Every:   d.Time("every", time.Second),
		Batch:   d.Whole("batch", usualBatch, 1, largestBatch),
	}
	if c.TokenFile = d.Path("token_file"); c.TokenFile != "" {
		if c.Token != "" {
			d.Fail(d.Node("token"), "token and token_file are both given", "keep token_file")
		}
	}
	if c.URL != "" {
		if problem := urlProblem(c.URL); problem != "" {
			d.Fail(d.Node("url"), fmt.Sprintf("url: %s", problem), "write http://HOST:PORT or https://HOST")
		}
	}
	if c.Timeout <= 0 {
		d.Fail(d.Node("timeout"), "timeout must be longer than nothing", "write 20s")
	}
	d.Done()
	return c
}

func urlProblem(text string) string {
	u, err := url.Parse(text)
	switch {
	case err != nil:
		return "this is not an address"
	case u.Scheme != "http" && u.Scheme != "https":
		return fmt.Sprintf("%q is neither http nor https", u.Scheme)
	case u.Host == "":
		return "the host is missing"
	case u.User != nil:
		return "a password does not belong in an address; use token_file"
	case u.RawQuery != "" || u.Fragment != "":
		return "the address goes as far as the path"
	}
	return ""
}

// token returns the secret, read anew each time so that a rotated one is
// taken without a restart.
func (c Config) token() (string, error) {
	if c.TokenFile == "" {
		return c.Token, nil
	}
	b, err := os.ReadFile(c.TokenFile)
	if err != nil {
		return "", fmt.Errorf("the store's token cannot be read: %w", err)
	}
	return strings.TrimRight(string(b), "\r\n"), nil
}

// roots are the authorities that the store's certificate may come from; nil:
// the system's.
func (c Config) roots() (*x509.CertPool, error) {
	if c.CAFile == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(c.CAFile)
	if err != nil {
		return nil, fmt.Errorf("the store's authority cannot be read: %w", err)
	}
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate; ca_file wants PEM", c.CAFile)
	}
	return pool, nil
}
