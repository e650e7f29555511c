package board

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"

	"standwatch/daemon/config"
	"standwatch/daemon/web"
	"standwatch/sensors"
	"standwatch/sensors/mqtt"
)

// Config is the board's own file.
type Config struct {
	Boxes   int // the most that are shown
	Pages   web.BoardConfig
	Brokers []Broker
	Store   *Store // nil: no curves
}

// Broker is one broker that boxes tell how they stand.
type Broker struct {
	Name  string
	Entry sensors.Node
}

// Store is where the boxes' uplink writes.
type Store struct {
	Name      string
	URL       string
	Bucket    string // database, or DATABASE/POLICY
	Token     string
	TokenFile string
	CAFile    string
	Timeout   time.Duration
}

// usualBoxes is room enough: a company starts up a few dozen sites at once.
const usualBoxes = 500

// IsBoard tells a board's file from a site's.
func IsBoard(file string) bool {
	root, _ := config.Document(file)
	return config.IsBoard(root)
}

// Load reads
//
//	board:
//	  name: Service desk              # stands at the top of the page
//	  listen: 127.0.0.1:8092          # beyond this machine only with certificate, key and password_file
//	  public_url: https://board.example.org   # where a proxy on this machine brings people here
//	  certificate: board.pem
//	  key: board.key
//	  password_file: board.password   # a line that `standwatch board --password` wrote
//	  boxes: 500
//	brokers:                          # as in a site file
//	  company: {url: "tls://broker.example.org:8883", user: board, password_file: broker.password}
//	store: {url: "https://store.example.org", bucket: sites, token_file: store.token}
//
// All faults come at once, in the order of their places. Secrets are not opened.
func Load(file string) (Config, []error) {
	root, faults := config.Document(file)
	if root.Kind == sensors.Nothing && len(faults) > 0 {
		return Config{}, faults
	}
	if config.IsSite(root) {
		return Config{}, []error{root.Fault("this is a box's site file, and a board's is wanted", "give a file such as configs/board.yaml; a site file is for standwatch run")}
	}
	d := sensors.Decode(root, &faults)
	var c Config
	c.Pages, c.Boxes = readPages(d.Node("board"), root, &faults)
	c.Brokers = readBrokers(d.Node("brokers"), root, &faults)
	if n := d.Node("store"); n.Kind != sensors.Nothing {
		c.Store = readStore(n, &faults)
	}
	d.Done()
	return c, config.Faults(errors.Join(faults...))
}

func readPages(n, root sensors.Node, faults *[]error) (web.BoardConfig, int) {
	if n.Kind == sensors.Nothing && n.Line == 0 {
		*faults = append(*faults, root.Fault("board is missing", "add board: {name: Service desk}"))
	}
	d := sensors.Decode(n, faults)
	c := readPage(d)
	boxes := d.Whole("boxes", usualBoxes, 1, 5000)
	d.Done()
	return c, boxes
}

// readPage reads where and how the pages are served.
func readPage(d *sensors.Decoder) web.BoardConfig {
	c := web.BoardConfig{Name: d.Text("name", "Board"), Listen: d.Text("listen", web.DefaultBoard), Zone: time.UTC,
		PublicURL:   strings.TrimSuffix(d.Text("public_url", ""), "/"),
		Certificate: d.Path("certificate"), Key: d.Path("key"), PasswordFile: d.Path("password_file")}
	if z := d.Node("timezone"); z.Kind != sensors.Nothing {
		zone, err := time.LoadLocation(z.Text)
		if err != nil || z.Text == "" || z.Text == "Local" {
			d.Fail(z, fmt.Sprintf("timezone: %q is not a time zone", z.Text), "write one of the tz database, such as Europe/Lisbon or UTC")
		} else {
			c.Zone = zone
		}
	}
	secure := c.Certificate != "" && c.Key != ""
	if (c.Certificate == "") != (c.Key == "") {
		d.Fail(d.Node("certificate"), "certificate and key go together", "give both or neither")
	}
	beyond, err := beyondLoopback(c.Listen)
	switch {
	case err != nil:
		d.Fail(d.Node("listen"), fmt.Sprintf("listen: %v", err), "write "+web.DefaultBoard)
	case beyond && (!secure || c.PasswordFile == "" || !strings.HasPrefix(c.PublicURL, "https://")):
		d.Fail(d.Node("listen"), fmt.Sprintf("listen: %s is beyond this machine", c.Listen),
			"that needs certificate, key, password_file and public_url: https://HOST; or listen on "+web.DefaultBoard+" behind a proxy")
	}
	if c.PublicURL != "" {
		if u, err := url.Parse(c.PublicURL); err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.Path != "" || u.RawQuery != "" || u.User != nil {
			d.Fail(d.Node("public_url"), fmt.Sprintf("public_url: %q is not the address of a page's front door", c.PublicURL), "write scheme and host only, such as https://board.example.org")
		}
	}
	return c
}

// beyondLoopback tells whether an address to listen on lies beyond this machine.
func beyondLoopback(address string) (bool, error) {
	host, port, err := net.SplitHostPort(address)
	if n, bad := strconv.ParseUint(port, 10, 16); err != nil || bad != nil || n == 0 && port != "0" {
		return false, fmt.Errorf("%q is not an address with a port", address)
	}
	if host == "localhost" || host == "" {
		return host == "", nil
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return false, fmt.Errorf("%q is not an address: a name may come to mean another one", address)
	}
	return !ip.IsLoopback(), nil
}

func readBrokers(n, root sensors.Node, faults *[]error) (bs []Broker) {
	entries := config.Entries(n)
	if len(entries) == 0 {
		*faults = append(*faults, root.Fault("no broker is given", "add brokers: {company: {url: tls://HOST:8883}}"))
	}
	known := map[string]bool{}
	for _, e := range entries {
		if e.Key == "" || known[e.Key] {
			*faults = append(*faults, e.Value.Fault("each broker has a name of its own", "write brokers: {company: {url: ...}, other: {url: ...}}"))
		}
		known[e.Key] = true
		if err := mqtt.CheckBroker(e.Value); err != nil {
			*faults = append(*faults, err)
		} else if _, err := mqtt.NewListener(e.Key, e.Value, mqtt.Hearing{}, nil); err != nil {
			*faults = append(*faults, err)
		}
		bs = append(bs, Broker{e.Key, e.Value})
	}
	return bs
}

func readStore(n sensors.Node, faults *[]error) *Store {
	d := sensors.Decode(n, faults)
	s := &Store{Name: d.Text("name", "store"), URL: d.Required("url"), Bucket: d.Required("bucket"), Token: d.Text("token", ""),
		TokenFile: d.Path("token_file"), CAFile: d.Path("ca_file"), Timeout: d.Time("timeout", 5*time.Second)}
	if u, err := url.Parse(s.URL); s.URL != "" && (err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" || u.User != nil || u.RawQuery != "") {
		d.Fail(d.Node("url"), fmt.Sprintf("url: %q is not a store's address", s.URL), "write http://HOST:PORT or https://HOST; a password belongs into token_file")
	}
	if s.Token != "" && s.TokenFile != "" {
		d.Fail(d.Node("token"), "token and token_file are both given", "keep token_file")
	}
	if s.Timeout < 100*time.Millisecond || s.Timeout > time.Minute {
		d.Fail(d.Node("timeout"), fmt.Sprintf("timeout: %s is out of range", s.Timeout), "write a time from 100 ms to 1 min: a page waits so long")
	}
	d.Done()
	return s
}

// CheckFiles looks at the files that a board's file names: what the board will
// not start with, and what browsers will not take. What only the board may read is left alone.
func (c Config) CheckFiles(now time.Time) (faults []error, doubt error) {
	if f := c.Pages.PasswordFile; f != "" {
		if _, err := os.Stat(f); err != nil {
			faults = append(faults, fmt.Errorf("board: password_file: %w; write it with: standwatch board --password >%s", err, f))
		}
	}
	if c.Pages.Certificate == "" || c.Pages.Key == "" {
		return faults, nil
	}
	s := &web.Supplied{Certificate: c.Pages.Certificate, Key: c.Pages.Key}
	if _, err := s.At(now); errors.Is(err, fs.ErrPermission) {
		return faults, nil
	} else if err != nil {
		return append(faults, fmt.Errorf("board: %w", err)), nil
	}
	return faults, s.Doubt(now, c.Pages.OwnNames())
}
