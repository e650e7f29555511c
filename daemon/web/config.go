package web

import (
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strings"

	"standwatch/sensors"
)

// Config is the `web` part of the site file.
type Config struct {
	Listen    string // host:port, on this machine only
	PublicURL string // scheme://host[:port] by which phones reach the page; empty: by Listen
}

// DefaultListen is where the screens are without a word in the site file.
const DefaultListen = "127.0.0.1:8090"

// Read reads the `web` part; every fault is added.
func Read(n sensors.Node, faults *[]error) Config {
	d := sensors.Decode(n, faults)
	c := Config{Listen: d.Text("listen", DefaultListen), PublicURL: strings.TrimSuffix(d.Text("public_url", ""), "/")}
	if err := listenable(c.Listen); err != nil {
		d.Fail(d.Node("listen"), fmt.Sprintf("listen: %v", err),
			"write a loopback address such as "+DefaultListen+"; opening the box to the site network needs pairing, which comes later")
	}
	if c.PublicURL != "" {
		if _, err := parseOrigin(c.PublicURL); err != nil {
			d.Fail(d.Node("public_url"), fmt.Sprintf("public_url: %v", err), "write scheme and host only, such as https://box.example.org")
		}
	}
	d.Done()
	return c
}

// URL is where a person on this machine opens the page, or by public_url anybody.
func (c Config) URL() string {
	if c.PublicURL != "" {
		return c.PublicURL
	}
	return "http://" + c.Listen
}

// listenable says what is wrong with an address to listen on: nothing listens
// beyond loopback until there is pairing.
func listenable(address string) error {
	host, port, err := net.SplitHostPort(address)
	if err != nil || port == "" {
		return fmt.Errorf("%q is not an address with a port", address)
	}
	if host == "localhost" {
		return nil
	}
	ip, err := netip.ParseAddr(host)
	if err != nil || !ip.IsLoopback() {
		return fmt.Errorf("%q listens beyond this machine", address)
	}
	return nil
}

func parseOrigin(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Host == "" ||
		u.Path != "" || u.RawQuery != "" || u.Fragment != "" || u.User != nil {
		return nil, fmt.Errorf("%q is not the address of a page's front door", text)
	}
	return u, nil
}
