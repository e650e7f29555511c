package outbox

import (
	"crypto/x509"
	"fmt"
	"net"
	"net/mail"
	"net/url"
	"os"
	"strings"
	"time"

	"standwatch/rules"
	"standwatch/sensors"
)

// Config is where messages go, as the site file has it.
type Config struct {
	Webhooks []Webhook
	Mails    []Mail
	Services []Service

	Alertmanagers []AlertServer
	Watch         Watch
	Push          PushConfig
	FromNow       bool // a new destination begins at the newest finding, not at the journal's first
}

// Reaches reports whether messages go to people.
func (c Config) Reaches() bool { return len(c.Webhooks)+len(c.Mails)+len(c.Services) > 0 }

// Webhook is an address that takes messages as JSON.
type Webhook struct {
	Name       string
	URL        string
	Secret     string // signs each message; empty: unsigned
	SecretFile string
	CAFile     string        // of a private authority, beside the system's; empty: none
	Least      rules.Urgency // Tell or Wake
	Timeout    time.Duration
}

// Mail is a mail server and the people to write to.
type Mail struct {
	Name         string
	Server       string // host:port
	Security     string // "starttls", "tls", "none"
	User         string
	Password     string
	PasswordFile string
	CAFile       string // of a private authority, beside the system's; empty: none
	From         string
	To           []string
	Least        rules.Urgency
	Timeout      time.Duration
}

// Read reads the outbox part of the site file. Secrets are not opened here, so
// that a site file can be checked anywhere.
func Read(n sensors.Node, faults *[]error) Config {
	d := sensors.Decode(n, faults)
	c := Config{FromNow: d.Bool("from_now", true)}
	names := map[string]bool{}
	unique := func(n sensors.Node, name string) {
		if names[name] {
			*faults = append(*faults, n.Fault(fmt.Sprintf("two destinations are called %q", name), "give each its own name, since each keeps its own place in the journal"))
		}
		names[name] = true
	}
	for _, one := range list(d, "webhooks") {
		w := readWebhook(one, faults)
		unique(one, w.Name)
		c.Webhooks = append(c.Webhooks, w)
	}
	for _, one := range list(d, "mails") {
		m := readMail(one, faults)
		unique(one, m.Name)
		c.Mails = append(c.Mails, m)
	}
	for _, one := range list(d, "services") {
		s := readService(one, faults)
		unique(one, s.Name)
		c.Services = append(c.Services, s)
	}
	for _, one := range list(d, "alertmanagers") {
		a := readAlertmanager(one, faults)
		unique(one, a.Name)
		c.Alertmanagers = append(c.Alertmanagers, a)
	}
	c.Watch.Quiet = d.Text("quiet", "")
	for _, one := range list(d, "watch") {
		c.Watch.People = append(c.Watch.People, readPerson(one, faults))
	}
	if err := c.Watch.Check(pathNames(c.destinations(nil, &Push{}))); err != nil {
		at := d.Node("watch")
		if at.Kind == sensors.Nothing {
			at = d.Node("quiet")
		}
		d.Fail(at, err.Error(), `write watch: [{name: Ana, paths: [phone], hours: "18:00-06:00"}] and quiet: "22:00-06:00"`)
	}
	c.Push = readPush(d.Node("push"), faults)
	d.Done()
	return c
}

// list accepts a list, or a single mapping for a list of one.
func list(d *sensors.Decoder, key string) []sensors.Node {
	n := d.Node(key)
	switch n.Kind {
	case sensors.Mapping:
		return []sensors.Node{n}
	case sensors.Scalar:
		d.Fail(n, fmt.Sprintf("%s should be a list", key), "write - {name: ..., ...}")
	}
	return n.Items
}

func readWebhook(n sensors.Node, faults *[]error) Webhook {
	d := sensors.Decode(n, faults)
	w := Webhook{
		Name:       d.Text("name", "webhook"),
		URL:        d.Required("url"),
		Secret:     d.Text("secret", ""),
		SecretFile: d.Path("secret_file"),
		CAFile:     d.Path("ca_file"),
		Least:      least(d),
		Timeout:    d.Time("timeout", 10*time.Second),
	}
	if u, err := url.Parse(w.URL); w.URL != "" && (err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https") {
		d.Fail(d.Node("url"), "url: this is not an address", "write https://HOST/PATH")
	}
	if w.Secret != "" && w.SecretFile != "" {
		d.Fail(d.Node("secret"), "secret and secret_file are both given", "keep secret_file")
	}
	positive(d, w.Timeout)
	d.Done()
	return w
}

func readMail(n sensors.Node, faults *[]error) Mail {
	d := sensors.Decode(n, faults)
	m := Mail{
		Name:         d.Text("name", "mail"),
		Server:       d.Required("server"),
		Security:     d.OneOf("security", "starttls", "starttls", "tls", "none"),
		User:         d.Text("user", ""),
		Password:     d.Text("password", ""),
		PasswordFile: d.Path("password_file"),
		CAFile:       d.Path("ca_file"),
		From:         d.Required("from"),
		Least:        least(d),
		Timeout:      d.Time("timeout", 30*time.Second),
	}
	if host, port, err := net.SplitHostPort(m.Server); m.Server != "" && (err != nil || host == "" || port == "") {
		d.Fail(d.Node("server"), fmt.Sprintf("server: %q is not host and port", m.Server), "write mail.example.org:587")
	}
	if _, err := mail.ParseAddress(m.From); m.From != "" && err != nil {
		d.Fail(d.Node("from"), fmt.Sprintf("from: %q is not a mail address", m.From), "write box@example.org")
	}
	if m.User != "" && m.Security == "none" {
		d.Fail(d.Node("security"), "a password would travel in the clear", "write security: starttls or tls")
	}
	if m.Password != "" && m.PasswordFile != "" {
		d.Fail(d.Node("password"), "password and password_file are both given", "keep password_file")
	}
	if m.User != "" && m.Password == "" && m.PasswordFile == "" {
		d.Fail(d.Node("user"), "a user has a password", "add password_file: ...")
	}
	m.To = recipients(d)
	positive(d, m.Timeout)
	d.Done()
	return m
}

func recipients(d *sensors.Decoder) (to []string) {
	n := d.Node("to")
	seen := map[string]bool{}
	for _, text := range d.Texts("to") {
		a, err := mail.ParseAddress(text)
		switch {
		case err != nil:
			d.Fail(n, fmt.Sprintf("to: %q is not a mail address", text), "write who@example.org")
		case seen[a.Address]:
			d.Fail(n, fmt.Sprintf("to: %s stands here twice", a.Address), "name each once")
		default:
			seen[a.Address] = true
			to = append(to, text)
		}
	}
	if n.Kind == sensors.Nothing || n.Kind == sensors.List && len(n.Items) == 0 {
		d.Fail(n, "to is missing", "add to: [who@example.org]")
	}
	return to
}

func least(d *sensors.Decoder) rules.Urgency {
	if d.OneOf("least", "tell", "tell", "wake") == "wake" {
		return rules.Wake
	}
	return rules.Tell
}

func positive(d *sensors.Decoder, t time.Duration) {
	if t <= 0 {
		d.Fail(d.Node("timeout"), "timeout must be longer than nothing", "write 10s")
	}
}

// secret returns a secret, from its file where it has one; read anew each
// time, so that a rotated one is taken without a restart.
func secret(text, file string) (string, error) {
	if file == "" {
		return text, nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return "", fmt.Errorf("a secret cannot be read: %w", err)
	}
	return strings.TrimRight(string(b), "\r\n"), nil
}

// roots are the authorities that the other side's certificate may come from;
// nil: the system's.
func roots(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("a certificate authority cannot be read: %w", err)
	}
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("%s holds no certificate; ca_file wants PEM", file)
	}
	return pool, nil
}
