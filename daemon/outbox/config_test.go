package outbox

import (
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/config"
	"standwatch/rules"
)

const siteText = `site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge, unit: micron, every: 1s}
`

// read reads a site file with the given part, as the box does.
func read(t *testing.T, part string) (dir string, c Config, faults []string) {
	t.Helper()
	dir = t.TempDir()
	file := filepath.Join(dir, "site.yaml")
	if err := os.WriteFile(file, []byte(siteText+part), 0o600); err != nil {
		t.Fatal(err)
	}
	site, errs := config.Load(file, nil)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	c = Read(site.Outbox, &errs)
	for _, err := range errs {
		faults = append(faults, strings.TrimPrefix(err.Error(), file+":"))
	}
	return dir, c, faults
}

func TestSettings(t *testing.T) {
	dir, c, faults := read(t, `outbox:
  from_now: false
  webhooks:
    - {name: phone, url: "https://hook.example.org/in?token=x", secret_file: hook.secret, least: wake}
  mails:
    - name: crew
      server: mail.example.org:587
      user: box
      password_file: mail.password
      from: Box One <box@example.org>
      to: [ana@example.org, Rui <rui@example.org>]
      timeout: 1 min
  services: [{name: chat, url_file: chat.url, least: wake}]
  alertmanagers: {url: "http://desk.example.org:9093/", user: box, password_file: am.password}
  watch:
    - {name: Ana, paths: [phone, "crew:ana@example.org"], hours: 18:00-06:00}
    - {name: Rui, paths: [crew]}
  quiet: 22:00-06:00
`)
	want := Config{
		Watch:    Watch{Quiet: "22:00-06:00", People: []Person{{Name: "Ana", Paths: []string{"phone", "crew:ana@example.org"}, Hours: "18:00-06:00"}, {Name: "Rui", Paths: []string{"crew"}}}},
		Webhooks: []Webhook{{Name: "phone", URL: "https://hook.example.org/in?token=x", SecretFile: filepath.Join(dir, "hook.secret"), Least: rules.Wake, Timeout: 10 * time.Second}},
		Mails: []Mail{{Name: "crew", Server: "mail.example.org:587", Security: "starttls", User: "box", PasswordFile: filepath.Join(dir, "mail.password"),
			From: "Box One <box@example.org>", To: []string{"ana@example.org", "Rui <rui@example.org>"}, Least: rules.Tell, Timeout: time.Minute}},
		Services: []Service{{Name: "chat", URLFile: filepath.Join(dir, "chat.url"), Least: rules.Wake, Timeout: 20 * time.Second}},
		Alertmanagers: []AlertServer{{Name: "alertmanager", URL: "http://desk.example.org:9093", User: "box", PasswordFile: filepath.Join(dir, "am.password"),
			Least: rules.Tell, Timeout: 10 * time.Second, Every: time.Minute}},
	}
	if !reflect.DeepEqual(c, want) || faults != nil {
		t.Errorf("read %+v, faults %q, want %+v", c, faults, want)
	}
	if _, c, faults := read(t, ""); !reflect.DeepEqual(c, Config{FromNow: true}) || faults != nil {
		t.Errorf("no outbox: %+v, faults %q", c, faults)
	}
}

func TestSettingsFaults(t *testing.T) {
	for part, want := range map[string][]string{
		`outbox: {webhooks: [{url: hook}]}`: {"5:27: url: this is not an address; write https://HOST/PATH"},
		`outbox: {webhooks: [{url: "http://a"}, {url: "http://b"}]}`: {
			`5:40: two destinations are called "webhook"; give each its own name, since each keeps its own place in the journal`},
		`outbox: {mails: {server: mail.example.org, from: box, to: [ana@example.org, ana@example.org]}}`: {
			`5:26: server: "mail.example.org" is not host and port; write mail.example.org:587`,
			`5:50: from: "box" is not a mail address; write box@example.org`,
			`5:59: to: ana@example.org stands here twice; name each once`},
		`outbox: {mails: {server: "m:25", from: a@b.c, user: u, password: p, security: none}}`: {
			"5:79: a password would travel in the clear; write security: starttls or tls",
			"5:17: to is missing; add to: [who@example.org]"},
		`outbox: {mails: {server: "m:25", from: a@b.c, to: a@b.c, user: u}}`: {"5:64: a user has a password; add password_file: ..."},
		`outbox: {services: [{name: chat}], alertmanagers: [{url: "http://am/api/v2", user: u, every: 5min}]}`: {
			"5:21: url_file is missing; add url_file: secrets/service.url, a file whose one line is the service's URL; it holds the secret",
			"5:58: url: the interface's own path is added by itself; leave /api/v2/alerts out",
			"5:52: user and password_file belong together; give both or none",
			"5:94: every: 5m0s is out of range; write a time from 10s to 4min: a server started anew must soon know"},
		`outbox: {alertmanagers: {url: "http://me:pw@am"}, services: {name: alertmanager, url_file: f}}`: {
			"5:31: url: a password does not belong in an address; use user and password_file",
			`5:25: two destinations are called "alertmanager"; give each its own name, since each keeps its own place in the journal`},
		`outbox: {webhooks: [{name: a, url: "http://a"}], watch: [{name: Ana, paths: [a, b]}]}`: {
			`5:57: Ana is to be reached by "b", which is no destination; the destinations are a, push; write watch: [{name: Ana, paths: [phone], hours: "18:00-06:00"}] and quiet: "22:00-06:00"`},
		`outbox: {webhooks: [{name: a, url: "http://a"}], quiet: midnight}`: {
			`5:57: the quiet hours: "midnight" is no stretch of the day; write it such as 22:00-06:00; write watch: [{name: Ana, paths: [phone], hours: "18:00-06:00"}] and quiet: "22:00-06:00"`},
		`outbox: {webhooks: [{url: "http://a", least: note}]}`: {`5:46: least: "note" is not known here; write one of tell, wake`},
	} {
		_, _, faults := read(t, part)
		if !slices.Equal(faults, want) {
			t.Errorf("%s:\nfaults %q\nwant   %q", part, faults, want)
		}
	}
}

// A secret that is not there yet holds the messages, and is taken when it comes.
func TestSecretFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "secret")
	m, h := newJournal(t), &hook{}
	f, stop := begin(t, m, h, Webhook{SecretFile: file}, false)
	m.find(flag(rules.Raised, rules.Wake, "a", 1))
	await(t, func() bool { return strings.Contains(f.State().Sentence, "a secret cannot be read") })
	if err := os.WriteFile(file, []byte("quay\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	await(t, func() bool { return f.State().OK && len(h.got()) == 1 })
	stop()
}

func await(t *testing.T, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(2 * time.Minute); !holds(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("it never came to pass")
		}
	}
}
