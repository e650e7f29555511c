package outbox

import (
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// at is an address that does not change.
func at(address string) func() string { return func() string { return address } }

func TestLinks(t *testing.T) {
	dir := t.TempDir()
	l, err := OpenLinks(dir, at("https://box.local:8443/"))
	if err != nil {
		t.Fatal(err)
	}
	u, err := url.Parse(l.Make(17, time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if u.Scheme != "https" || u.Host != "box.local:8443" || u.Path != "/flags/ack" {
		t.Errorf("link %s", u)
	}
	id, _ := strconv.ParseInt(u.Query().Get("id"), 10, 64)
	key := u.Query().Get("key")
	if id != 17 || !l.Check(id, time.Hour, key) {
		t.Errorf("link %s is not accepted", u)
	}
	for _, wrong := range []struct {
		id  int64
		key string
	}{{18, key}, {17, ""}, {17, key[1:]}, {17, "A" + key[1:]}, {17, strings.ToUpper(key)}} {
		if wrong.key != key || wrong.id != 17 {
			if l.Check(wrong.id, time.Hour, wrong.key) {
				t.Errorf("%v is accepted", wrong)
			}
		}
	}
	if l.Check(17, 2*time.Hour, key) {
		t.Error("who holds a link can make it last longer")
	}
	if info, err := os.Stat(filepath.Join(dir, KeyFile)); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("key file %v, %v; want mode 0600", info, err)
	}

	address := ""
	moved, err := OpenLinks(dir, func() string { return address })
	if err != nil {
		t.Fatal(err)
	}
	if link := moved.Make(17, time.Hour); link != "" {
		t.Errorf("a box that only its own machine reaches makes the link %s", link)
	}
	address = "https://192.0.2.7:8443" // the network came after the box
	if link := moved.Make(17, time.Hour); !strings.HasPrefix(link, address+"/flags/ack?") {
		t.Errorf("reached at %s it makes the link %q", address, link)
	}
	again, err := OpenLinks(dir, at(""))
	if err != nil {
		t.Fatal(err)
	}
	if !again.Check(17, time.Hour, key) || again.Box() != l.Box() {
		t.Error("links end with a restart")
	}
	if again.Make(17, time.Hour) != "" {
		t.Errorf("a link without an address: %q", again.Make(17, time.Hour))
	}
	other, err := OpenLinks(t.TempDir(), at(""))
	if err != nil {
		t.Fatal(err)
	}
	if other.Check(17, time.Hour, key) || other.Box() == l.Box() {
		t.Error("another box takes the link")
	}

	if err := os.WriteFile(filepath.Join(dir, KeyFile), []byte("short"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenLinks(dir, at("")); err == nil || !strings.Contains(err.Error(), "remove it") {
		t.Errorf("a cut key: %v", err)
	}
}
