package outbox

import (
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"standwatch/rules"
)

func TestServices(t *testing.T) {
	var got []string
	answer, block := http.StatusOK, make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		got = append(got, string(body))
		if answer == 0 {
			<-block
			return
		}
		w.WriteHeader(answer)
	}))
	defer server.Close()
	defer close(block)
	file := filepath.Join(t.TempDir(), "service.url")
	url := func(text string) {
		if err := os.WriteFile(file, []byte(text+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s := service{Service{Name: "chat", URLFile: file, Timeout: 500 * time.Millisecond}}
	m := message{Finding: vacuumRising(0).Finding, Site: "Quayside Library", Ack: "https://box.example.org/a/1"}
	m.Edge = rules.Raised
	host := strings.TrimPrefix(server.URL, "http://")
	url("generic://" + host + "/hooks/s3cret-token?disabletls=yes")
	if err := s.send(t.Context(), m); err != nil {
		t.Fatal(err)
	}
	if len(got) != 1 || !strings.Contains(got[0], "501 micron") || !strings.Contains(got[0], m.Ack) {
		t.Errorf("the service got %q", got)
	}
	fails := func(what, want string) {
		t.Helper()
		err := s.send(t.Context(), m)
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", what, err)
		}
		if err != nil && strings.Contains(err.Error(), "s3cret") {
			t.Errorf("%s: the error tells the secret: %v", what, err)
		}
	}
	answer = http.StatusInternalServerError
	fails("a failing service", "does not take it")
	answer = 0
	fails("one that hangs", "does not answer in time")
	url("generic://127.0.0.1:1/hooks/s3cret-token?disabletls=yes")
	fails("one that is not there", "does not take it")
	url("nosuch://s3cret-token@host")
	fails("a service nobody knows", "fits no service")
	url("")
	fails("an empty file", "is empty")
	os.Remove(file)
	fails("no file", "secret cannot be read")
}
