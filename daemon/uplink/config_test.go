package uplink

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/config"
)

const siteText = `site: {name: Quayside Library, timezone: Europe/Lisbon}
system: {refrigerant: R-410A}
points:
  - {name: gauge, measures: vacuum, role: vacuum-gauge, unit: micron, every: 1s}
`

// read reads a site file with the given part, as the box does.
func read(t *testing.T, part string) (dir string, cs []Config, faults []string) {
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
	cs = Read(site.Uplink, &errs)
	for _, err := range errs {
		faults = append(faults, strings.TrimPrefix(err.Error(), file+":"))
	}
	return dir, cs, faults
}

func TestSettings(t *testing.T) {
	dir, cs, faults := read(t, `uplink:
  - {name: desk, url: "http://store.example.org:8086", org: quay, bucket: site, token_file: store.token, batch: 5000, gzip: false, timeout: 5 s, every: 250ms}
  - {name: far, url: "https://store.example.org/path/", bucket: site}
`)
	want := []Config{
		{Name: "desk", URL: "http://store.example.org:8086", Org: "quay", Bucket: "site", TokenFile: filepath.Join(dir, "store.token"), Batch: 5000, Timeout: 5 * time.Second, Every: 250 * time.Millisecond},
		{Name: "far", URL: "https://store.example.org/path/", Bucket: "site", Batch: 1000, Gzip: true, Timeout: 20 * time.Second, Every: time.Second},
	}
	if !slices.Equal(cs, want) || faults != nil {
		t.Errorf("read %+v, faults %q, want %+v", cs, faults, want)
	}
	if _, cs, faults := read(t, `uplink: {url: "http://store.example.org", bucket: site, token: s3cret}`); len(cs) != 1 || cs[0].Name != "store" || cs[0].Token != "s3cret" || faults != nil {
		t.Errorf("a single store: %+v, faults %q", cs, faults)
	}
	if _, cs, faults := read(t, ""); cs != nil || faults != nil {
		t.Errorf("no store: %+v, faults %q", cs, faults)
	}
}

func TestSettingsFaults(t *testing.T) {
	for part, want := range map[string][]string{
		"uplink: {bucket: site}": {"5:9: url is missing; add url: ..."},
		"uplink: hello":          {"5:9: uplink should be a store or a list of stores; write uplink: {url: ..., bucket: ...}"},
		"uplink: {url: \"ftp://x\", bucket: b, batch: 5001}": {
			`5:44: batch: "5001" is not a number that fits here; write a whole number from 1 to 5000`,
			`5:15: url: "ftp" is neither http nor https; write http://HOST:PORT or https://HOST`,
		},
		"uplink: {url: \"http://me:pw@x\", bucket: b}":                             {"5:15: url: a password does not belong in an address; use token_file; write http://HOST:PORT or https://HOST"},
		"uplink: {url: \"http://x\", bucket: b, token: a, token_file: f}":          {"5:45: token and token_file are both given; keep token_file"},
		"uplink: [{url: \"http://x\", bucket: b}, {url: \"http://y\", bucket: b}]": {`5:40: two stores are called "store"; give each its own name, since each keeps its own place in the journal`},
		"uplink: {url: \"http://x\", bucket: b, timeout: 0 s}":                     {"5:47: timeout must be longer than nothing; write 20s"},
	} {
		if _, _, faults := read(t, part); !slices.Equal(faults, want) {
			t.Errorf("%s: faults %q, want %q", part, faults, want)
		}
	}
}

// A token that is not there yet holds everything, and is taken when it comes.
func TestTokenFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "token")
	m, s := night(2), newStore()
	f, stop := begin(t, m, s, func(p *Parts) { p.Config.TokenFile, p.Held = file, time.Millisecond })
	eventually(t, "the missing token shows", func() bool { return strings.Contains(f.State().Sentence, "token cannot be read") })
	if err := os.WriteFile(file, []byte("s3cret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	eventually(t, "all arrives", func() bool { return f.State().OK && f.State().Waiting == 0 })
	stop()
	if token, err := (Config{TokenFile: file}).token(); token != "s3cret" || err != nil {
		t.Errorf("token %q, %v", token, err)
	}
	if len(s.points()) != 2 {
		t.Errorf("points %q", s.points())
	}
}
