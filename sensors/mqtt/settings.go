package mqtt

import (
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"standwatch/sensors"
)

// settings is a broker's entry in the site file.
type settings struct {
	url      *url.URL // nil: the broker within the box, which the daemon starts
	user     string
	password string
	secret   string // file with the password; read at each attempt, so that it may change
	ca       string // file with the certificates to trust instead of the system's
	cert     string // our own certificate and key, where the broker asks for one
	key      string
	retry    time.Duration
	outward  bool // the box tells this broker how it stands
}

// readBroker reads a broker's entry, as the package comment has it.
func readBroker(n sensors.Node, faults *[]error) settings {
	d := sensors.Decode(n, faults)
	d.Text("name", "")
	s := settings{
		user: d.Text("user", ""), password: d.Text("password", ""),
		secret: d.Path("password_file"), ca: d.Path("ca_file"),
		cert: d.Path("client_cert_file"), key: d.Path("client_key_file"),
		retry:   d.Time("retry", 5*time.Second),
		outward: d.OneOf("outward", "true", "true", "false", "only") != "false",
	}
	embedded := d.Node("embedded").Kind != sensors.Nothing
	at := d.Node("url")
	switch {
	case at.Kind == sensors.Nothing && !embedded:
		d.Fail(n, "the broker's url is missing", "add url: tcp://HOST:1883 or tls://HOST:8883")
	case at.Kind != sensors.Nothing && embedded:
		d.Fail(at, "a broker is either within the box or elsewhere", "delete url or embedded")
	case at.Kind != sensors.Nothing:
		var want string
		if s.url, want = brokerURL(at.Text); s.url == nil {
			d.Fail(at, fmt.Sprintf("url: %q is not a broker's address", at.Text), want)
		}
	}
	if s.password != "" && s.secret != "" {
		d.Fail(d.Node("password"), "password and password_file are both given", "keep password_file")
	}
	if (s.password != "" || s.secret != "") && s.user == "" {
		d.Fail(n, "a password without a user", "add user: ...")
	}
	if (s.cert == "") != (s.key == "") {
		d.Fail(n, "client_cert_file and client_key_file go together", "give both or neither")
	}
	if s.url != nil && s.url.Scheme == "tcp" && (s.ca != "" || s.cert != "") {
		d.Fail(at, "certificates are given, but the url is without encryption", "write tls:// or mqtts://")
	}
	if s.retry < 10*time.Millisecond {
		d.Fail(d.Node("retry"), "retry is too short", "write 5s")
	}
	d.Done()
	return s
}

// CheckBroker says what is wrong with a broker's entry, for one that no point
// is read from.
func CheckBroker(n sensors.Node) error {
	var faults []error
	readBroker(n, &faults)
	return errors.Join(faults...)
}

// brokerURL reads an address; scheme tcp or tls, with a port.
func brokerURL(text string) (u *url.URL, want string) {
	const form = "write tcp://HOST:1883 or tls://HOST:8883"
	u, err := url.Parse(text)
	if err != nil || u.Hostname() == "" || u.Path != "" && u.Path != "/" || u.RawQuery != "" {
		return nil, form
	}
	if u.User != nil {
		return nil, "give user and password_file as their own settings, so that no password shows in a log"
	}
	port := "1883"
	switch u.Scheme {
	case "tcp", "mqtt":
		u.Scheme = "tcp"
	case "tls", "ssl", "mqtts":
		u.Scheme, port = "tls", "8883"
	default:
		return nil, form
	}
	if u.Port() == "" {
		u.Host = u.Hostname() + ":" + port
		if strings.Contains(u.Hostname(), ":") {
			u.Host = "[" + u.Hostname() + "]:" + port
		}
	}
	return u, ""
}

// format is how a topic's payload is written.
type format uint8

const (
	plain format = iota
	jsonFormat
	senml
)

// feed is one point with what tells its readings apart in a payload.
type feed struct {
	sensors.Point
	topic  string
	format format

	value, unit, time, seq, battery, fault pointer // JSON
	timeFormat                             string

	name        string // SenML: the resolved name of the point's records
	batteryName string // SenML: of the record that tells its battery

	batteryLow  float64 // as a ratio
	batteryUnit string  // "%", "1", or empty: up to 1 is a ratio, above it a percentage
	low         bool    // what the battery topic said last

	availability availability
	batteryTopic string
}

// availability is the topic on which an instrument (or its gateway's last
// will) says whether it is there.
type availability struct {
	topic           string
	value           pointer
	online, offline string
}

// readFeed reads a point's own settings, as the package comment has them.
func readFeed(p sensors.Point, faults *[]error) *feed {
	d := sensors.Decode(p.Settings, faults)
	d.Text("broker", "")
	f := &feed{Point: p, topic: readTopic(d, "topic", true)}
	word := "plain"
	if d.Node("value").Kind != sensors.Nothing {
		word = "json"
	}
	switch d.OneOf("format", word, "plain", "json", "senml") {
	case "json":
		f.format = jsonFormat
		f.readJSON(d)
	case "senml":
		f.format = senml
		f.name = d.Required("name")
		f.batteryName = d.Text("battery", "")
		for _, key := range []string{"name", "battery"} {
			if n := d.Node(key); n.Text != "" && !SenMLName(n.Text) { // no pack that is let in can have it
				d.Fail(n, fmt.Sprintf("%s: %q cannot be a name in a SenML pack (RFC 8428, section 4.5.1)", key, n.Text),
					"write the resolved name as the device sends it: letters a to z and digits, and after the first of them - : . / _")
			}
		}
	}
	f.batteryLow = readRatio(d, "battery_low", 0.20) // 20 %: common practice
	f.batteryUnit = d.OneOf("battery_unit", "", "%", "1")
	f.batteryTopic = readTopic(d, "battery_topic", false)
	if n := d.Node("availability"); n.Kind != sensors.Nothing {
		f.availability = readAvailability(n, faults)
	}
	d.Done()
	return f
}

func (f *feed) readJSON(d *sensors.Decoder) {
	f.value = readPointer(d, "value")
	f.unit = readPointer(d, "unit")
	f.time = readPointer(d, "time")
	f.seq = readPointer(d, "seq")
	f.battery = readPointer(d, "battery")
	f.fault = readPointer(d, "fault")
	f.timeFormat = d.OneOf("time_format", "auto", "auto", "rfc3339", "unix", "unix-ms")
	if f.value == nil {
		f.value = pointer{} // the document is the value
	}
}

func readAvailability(n sensors.Node, faults *[]error) availability {
	d := sensors.Decode(n, faults)
	a := availability{
		topic:  readTopic(d, "topic", true),
		value:  readPointer(d, "value"),
		online: d.Text("online", "online"), offline: d.Text("offline", "offline"),
	}
	if a.online == a.offline {
		d.Fail(n, "online and offline are the same word", "give two words")
	}
	d.Done()
	return a
}

func readRatio(d *sensors.Decoder, key string, other float64) float64 {
	n, given := d.Given(key)
	if !given {
		return other
	}
	r, err := sensors.ParseQuantity(d.Text(key, ""), sensors.Ratios)
	if err != nil || r < 0 || r > 1 {
		d.Fail(n, fmt.Sprintf("%s: %q is not a share of a whole", key, n.Text), "write 20 %")
		return other
	}
	return r
}

func readPointer(d *sensors.Decoder, key string) pointer {
	n, given := d.Given(key)
	if !given {
		return nil
	}
	p, err := parsePointer(d.Text(key, ""))
	if err != nil {
		d.Fail(n, fmt.Sprintf("%s: %v", key, err), "")
	}
	return p
}

func readTopic(d *sensors.Decoder, key string, required bool) string {
	n := d.Node(key)
	var t string
	if required {
		t = d.Required(key)
	} else {
		t = d.Text(key, "")
	}
	switch {
	case strings.ContainsAny(t, "+#"):
		d.Fail(n, fmt.Sprintf("%s: %q has a wildcard, but one point is one instrument", key, t), "name the very topic it publishes on, and add a point for each instrument")
	case strings.HasPrefix(t, "$"):
		d.Fail(n, fmt.Sprintf("%s: %q is a topic of the broker itself", key, t), "name the topic the instrument publishes on")
	case len(t) > 65535 || strings.ContainsRune(t, 0):
		d.Fail(n, fmt.Sprintf("%s is not a topic", key), "write words with slashes between them")
	}
	return t
}
