package web

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/netip"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"standwatch/sensors"
)

// Config is the `web` part of the site file.
type Config struct {
	Listen      string   // host:port; beyond this machine always by TLS, and shut until the box is claimed
	Local       string   // host:port on this machine; what Listen says where that is on this machine
	PublicURL   string   // scheme://host[:port] by which people reach the page; empty: by Listen
	Names       []string // other names and addresses by which the box is reached on the site network
	Certificate string   // file; empty: the box makes its own
	Key         string   // file
	Metrics     string   // file of the token that lets /metrics be read from elsewhere
}

// DefaultListen is where the screens are without a word in the site file.
const DefaultListen = "127.0.0.1:8090"

// Read reads the `web` part; every fault is added.
func Read(n sensors.Node, faults *[]error) Config {
	d := sensors.Decode(n, faults)
	c := Config{Listen: d.Text("listen", DefaultListen), PublicURL: strings.TrimSuffix(d.Text("public_url", ""), "/"),
		Names: d.Texts("names"), Certificate: d.Path("certificate"), Key: d.Path("key"), Metrics: d.Path("metrics_token_file")}
	beyond, err := listenable(c.Listen)
	if err != nil {
		d.Fail(d.Node("listen"), fmt.Sprintf("listen: %v", err),
			"write an address and a port: "+DefaultListen+" for this machine only, 0.0.0.0:8443 for the site network (by TLS, and shut until the box is claimed)")
	}
	c.Local = d.Text("local", c.Listen)
	if _, given := d.Given("local"); !given && beyond {
		c.Local = DefaultListen
	}
	if far, err := listenable(c.Local); err == nil && far {
		d.Fail(d.Node("local"), fmt.Sprintf("local: %q listens beyond this machine", c.Local), "write a loopback address such as "+DefaultListen)
	} else if err != nil && c.Local != c.Listen {
		d.Fail(d.Node("local"), fmt.Sprintf("local: %v", err), "write a loopback address such as "+DefaultListen)
	}
	if c.PublicURL != "" {
		c.checkPublic(d)
	}
	if (c.Certificate == "") != (c.Key == "") {
		d.Fail(d.Node("certificate"), "certificate and key belong together", "give both files, or neither: then the box makes its own")
	}
	for _, name := range c.Names {
		if _, err := netip.ParseAddr(name); err != nil && !isHostName(name) {
			d.Fail(d.Node("names"), fmt.Sprintf("names: %q is neither a host's name nor an address", name), "write names without scheme and port, such as quayside.local or 192.0.2.7")
		}
	}
	d.Done()
	return c
}

// checkPublic holds public_url to TLS, unless it leads to this very machine: a
// password that crosses a network in the clear is everybody's.
func (c Config) checkPublic(d *sensors.Decoder) {
	u, err := parseOrigin(c.PublicURL)
	if err != nil {
		d.Fail(d.Node("public_url"), fmt.Sprintf("public_url: %v", err), "write scheme and host only, such as https://box.example.org")
		return
	}
	if u.Scheme == "http" && !loopbackHost(u.Hostname()) {
		d.Fail(d.Node("public_url"), "public_url: http beyond this machine shows passwords to whoever listens", "write https://"+u.Host+", and let a proxy on this machine serve it, or set listen to an address of the site network, where the box serves TLS itself")
	}
}

// Beyond reports whether the box is to listen beyond this machine.
func (c Config) Beyond() bool {
	beyond, err := listenable(c.Listen)
	return err == nil && beyond
}

// URL is where people open the page: by public_url, or on the site network, or
// on this machine.
func (c Config) URL() string {
	switch {
	case c.PublicURL != "":
		return c.PublicURL
	case c.Beyond():
		if all := c.Addresses(); len(all) > 0 {
			return all[0]
		}
	}
	return "http://" + c.Local
}

// Abroad is where other machines open the page now; empty: none can.
func (c Config) Abroad() string {
	at := c.URL()
	if u, err := url.Parse(at); err != nil || loopbackHost(u.Hostname()) {
		return ""
	}
	return at
}

// OnlyHere reports whether the site file lets no other machine open the page,
// whatever network there is.
func (c Config) OnlyHere() bool { return !c.Beyond() && c.Abroad() == "" }

// Addresses are where the box is reached on the site network: by the names the
// site file gives, then by the addresses this machine has now.
func (c Config) Addresses() (all []string) {
	if !c.Beyond() {
		return nil
	}
	host, port, _ := net.SplitHostPort(c.Listen) // listenable has checked it
	for _, name := range c.Names {
		all = append(all, "https://"+net.JoinHostPort(name, port))
	}
	if ip, err := netip.ParseAddr(host); err == nil && !ip.IsUnspecified() {
		return append(all, "https://"+c.Listen)
	}
	for _, ip := range ownAddresses() {
		all = append(all, "https://"+net.JoinHostPort(ip.String(), port))
	}
	return all
}

// CheckCertificate looks at the certificate that is supplied, as browsers will:
// fault is what keeps the door shut, doubt what does not. Files that are not here,
// or that only the box may read, are no fault: a file may be checked elsewhere.
func (c Config) CheckCertificate(now time.Time) (fault, doubt error) {
	if c.Certificate == "" {
		return nil, nil
	}
	s := &Supplied{Certificate: c.Certificate, Key: c.Key}
	_, err := s.At(now)
	switch {
	case errors.Is(err, fs.ErrPermission):
		return nil, nil
	case errors.Is(err, fs.ErrNotExist):
		return nil, err
	case err != nil:
		return err, nil
	case !c.Beyond():
		return nil, errors.New("certificate and key are not used, for web.listen is on this machine only, where pages come without TLS")
	}
	return nil, s.Doubt(now, c.ownNames())
}

// ownNames are those by which people come to the door itself, not to a proxy before it.
func (c Config) ownNames() []string {
	names := slices.Clone(c.Names)
	_, port, _ := net.SplitHostPort(c.Listen) // listenable has checked it
	if u, err := parseOrigin(c.PublicURL); err == nil && u.Scheme == "https" && cmp.Or(u.Port(), "443") == port {
		names = append(names, u.Hostname())
	}
	return names
}

// ownAddresses are this machine's addresses on its networks, the old kind first.
func ownAddresses() (all []netip.Addr) {
	nets, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	var six []netip.Addr
	for _, n := range nets {
		p, err := netip.ParsePrefix(n.String())
		if err != nil {
			continue
		}
		ip := p.Addr().Unmap()
		switch {
		case ip.IsLoopback() || ip.IsLinkLocalUnicast(): // nobody can type a zone into a phone
		case ip.Is4():
			all = append(all, ip)
		default:
			six = append(six, ip)
		}
	}
	return append(all, six...)
}

// listenable says what is wrong with an address to listen on, and whether it
// lies beyond this machine.
func listenable(address string) (beyond bool, err error) {
	host, port, err := net.SplitHostPort(address)
	if err != nil || port == "" {
		return false, fmt.Errorf("%q is not an address with a port", address)
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n > 65535 {
		return false, fmt.Errorf("%q has no port that could be listened on", address)
	}
	if host == "localhost" {
		return false, nil
	}
	if host == "" {
		return true, nil
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return false, fmt.Errorf("%q is no address: a name may come to mean another one", address)
	}
	return !ip.IsLoopback(), nil
}

func isHostName(s string) bool {
	if s == "" || len(s) > 253 {
		return false
	}
	for label := range strings.SplitSeq(s, ".") {
		if label == "" || len(label) > 63 || strings.Trim(strings.ToLower(label), "abcdefghijklmnopqrstuvwxyz0123456789-") != "" ||
			label[0] == '-' || label[len(label)-1] == '-' {
			return false
		}
	}
	return true
}

func parseOrigin(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" ||
		u.Path != "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		return nil, fmt.Errorf("%q is not the address of a page's front door", text)
	}
	return u, nil
}
