package daemon

import (
	"bytes"
	"context"
	"image"
	"image/jpeg"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"standwatch/daemon/web"
	"standwatch/rules"
)

func ask(t *testing.T, h http.Handler, method, path, kind string, body *bytes.Buffer) (int, string) {
	t.Helper()
	if body == nil {
		body = &bytes.Buffer{}
	}
	r := httptest.NewRequest(method, "http://127.0.0.1"+path, body)
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	r.Header.Set("Content-Type", kind)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Code, w.Body.String()
}

func tickForm(t *testing.T, photo []byte, fields ...string) (string, *bytes.Buffer) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for i := 0; i < len(fields); i += 2 {
		if err := m.WriteField(fields[i], fields[i+1]); err != nil {
			t.Fatal(err)
		}
	}
	if photo != nil {
		w, err := m.CreateFormFile("photo", "a.jpg")
		if err != nil {
			t.Fatal(err)
		}
		_, _ = w.Write(photo) // into memory
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	return m.FormDataContentType(), &b
}

// What a person says of a check goes from the form into the journal, is there
// after a restart with who, when and the photo, and a step begun with checks
// open asks for them once.
func TestChecksOutliveTheBox(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		var photo bytes.Buffer
		if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 300, 200)), nil); err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		awake := func(time.Duration) bool { return false }
		d, j := box(t, dir, weighing(start, awake))
		run(t, d, func(context.Context) {
			h := web.New(web.Config{}, d)
			time.Sleep(time.Second)
			kind, b := tickForm(t, photo.Bytes(), "check", "valves-shut", "state", "done", "remark", "both units", "by", "Ines")
			if code, text := ask(t, h, "POST", "/checks", kind, b); code != http.StatusSeeOther {
				t.Errorf("%d: %s", code, text)
			}
			kind, b = tickForm(t, nil, "check", "drains", "state", "wrong", "remark", "not glued", "by", "Rui")
			if code, text := ask(t, h, "POST", "/checks", kind, b); code != http.StatusSeeOther {
				t.Errorf("%d: %s", code, text)
			}
			time.Sleep(time.Second)
			begin := url.Values{"kind": {"begin"}, "step": {"evacuation"}, "by": {"Ines"}, "reason": {"the supervisor agrees"}, "ticked": {"vacuum-rig"}}
			if code, text := ask(t, h, "POST", "/marks", "application/x-www-form-urlencoded", bytes.NewBufferString(begin.Encode())); code != http.StatusSeeOther {
				t.Errorf("%d: %s", code, text)
			}
			time.Sleep(time.Second)
		})
		if err := j.Close(); err != nil {
			t.Fatal(err)
		}

		d, j = box(t, dir, weighing(start, awake))
		defer func() { _ = j.Close() }()
		run(t, d, func(ctx context.Context) {
			time.Sleep(time.Second)
			h := web.New(web.Config{}, d)
			_, text := ask(t, h, "GET", "/checks/valves-shut", "", nil)
			name := regexp.MustCompile(`/photos/([0-9a-f]{64})\.jpg`).FindStringSubmatch(text)
			if !strings.Contains(text, "Ines, ") || !strings.Contains(text, "both units") || name == nil {
				t.Fatalf("after a restart:\n%s", text)
			}
			if code, body := ask(t, h, "GET", name[0], "", nil); code != http.StatusOK || !strings.HasPrefix(body, "\xff\xd8") {
				t.Errorf("the photo: %d", code)
			}
			states := map[string]string{}
			for _, c := range d.Now().Checks[""] {
				states[c.Name] = c.State
				if c.Left {
					states[c.Name] += " left"
				}
			}
			for name, want := range map[string]string{"valves-shut": "done", "drains": "wrong", "vacuum-rig": "done", "soap-search": " left", "indoor-power-off": " left", "mains": ""} {
				if states[name] != want {
					t.Errorf("%s is %q, want %q", name, states[name], want)
				}
			}
			// Asked once: nothing is open before this step any more, and nobody is told of it.
			if _, text := ask(t, h, "GET", "/confirm?do=begin&step=evacuation", "", nil); strings.Contains(text, `name="ticked"`) {
				t.Error("it asks a second time")
			}
			for _, f := range d.Now().Recent {
				if f.Flag == "mark-doubtful" {
					t.Errorf("what was answered is doubted: %s", f.Text)
				}
			}
			// By a script, which cannot be asked: noted.
			if err := d.Tell(ctx, rules.Told{Kind: "begin", Name: "preheat"}); err != nil {
				t.Error(err)
			}
			time.Sleep(time.Second)
			if got := findings(t, j); !strings.Contains(got, "Preheat was begun while 2 checks that no sensor makes were not done yet: mains, brackets off.") {
				t.Errorf("found:\n%s", got)
			}
		})
		if live, again := findings(t, j), replayed(t, j); live != again {
			t.Errorf("live\n%sreplayed from the exported log\n%s", live, again)
		}
	})
}
