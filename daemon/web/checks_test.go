package web

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"image/jpeg"
	"io"
	"log/slog"
	"mime/multipart"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"standwatch/daemon/journal"
	"standwatch/rules"
)

// multi is a form with photos, as a browser sends it.
func multi(t *testing.T, f url.Values, photos ...[]byte) (kind string, body []byte) {
	t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for key, values := range f {
		for _, v := range values {
			if err := m.WriteField(key, v); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, p := range photos {
		w, err := m.CreateFormFile("photo", "IMG_0001.jpg")
		if err != nil {
			t.Fatal(err)
		}
		_, _ = w.Write(p) // into memory
	}
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	return m.FormDataContentType(), b.Bytes()
}

func sent(t *testing.T, h http.Handler, f url.Values, photos ...[]byte) (*http.Response, string) {
	t.Helper()
	kind, body := multi(t, f, photos...)
	r := httptest.NewRequest("POST", "http://127.0.0.1:8090/checks", bytes.NewReader(body))
	r.Header.Set("Content-Type", kind)
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w.Result(), w.Body.String()
}

func TestACheckIsTickedWithItsRemarkAndPhotos(t *testing.T) {
	box := newFakeBox("checks")
	h := box.screens().handler()
	photo := withEXIF(plainJPEG(2000, 1000), binary.BigEndian, 6)
	resp, text := sent(t, h, form("check", "drains", "state", "done", "remark", "a jug of water\nthrough each", "by", "Ines: the second", "back", "/steps/trial-run"), photo, nil)
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != "/steps/trial-run?done=mark" {
		t.Fatalf("%d to %q\n%s", resp.StatusCode, resp.Header.Get("Location"), text)
	}
	told := box.told[0]
	tick, ok := rules.ReadTick(told.Note, func(name string) bool { return name == "drains" })
	if told.Kind != "mark" || told.Name != "checked" || !ok || tick.State != "done" || tick.By != "Ines the second" || told.By != tick.By ||
		tick.Remark != "a jug of water through each" || len(tick.Photos) != 1 {
		t.Fatalf("%+v, read as %+v", told, tick)
	}
	// What was kept comes back upright, small and with nothing beside the picture; a browser may keep it for good.
	resp, body := visit(t, h, "GET", "/photos/"+tick.Photos[0]+".jpg", nil)
	m, err := jpeg.DecodeConfig(strings.NewReader(body))
	if resp.StatusCode != 200 || err != nil || m.Width != 800 || m.Height != 1600 || strings.Contains(body, "GPSLATITUDE") || strings.Contains(body, "Exif") {
		t.Errorf("%d, %d x %d (%v)", resp.StatusCode, m.Width, m.Height, err)
	}
	for key, want := range map[string]string{"Content-Type": "image/jpeg", "X-Content-Type-Options": "nosniff"} {
		if resp.Header.Get(key) != want {
			t.Errorf("%s: %q", key, resp.Header.Get(key))
		}
	}
	if c := resp.Header.Get("Cache-Control"); !strings.Contains(c, "immutable") || !strings.Contains(c, "private") {
		t.Errorf("Cache-Control: %q", c)
	}
}

func TestWhatACheckFormLacksIsSaid(t *testing.T) {
	photo := plainJPEG(20, 20)
	box := newFakeBox("checks")
	h := box.screens().handler()
	for name, c := range map[string]struct {
		form   url.Values
		photos [][]byte
		status int
		want   string
	}{
		"not so, without a word":         {form("check", "drains", "state", "wrong", "by", "Ines"), nil, 422, "Write what you found"},
		"does not apply, without a word": {form("check", "drains", "state", "does-not-apply"), nil, 422, "Write why it does not apply"},
		"nothing to take back":           {form("check", "mains", "state", "withdrawn"), nil, 422, "nothing to take back"},
		"left open by itself":            {form("check", "mains", "state", "left-open"), nil, 422, "does not know what this form"},
		"another check":                  {form("check", "lunch", "state", "done"), nil, 422, "no such check"},
		"another system":                 {form("check", "drains", "state", "done", "system", "roof"), nil, 422, "no such check"},
		"no photo":                       {form("check", "drains", "state", "done", "remark", "kept remark"), [][]byte{[]byte("GIF89a")}, 422, "kept remark"},
		"a bomb":                         {form("check", "drains", "state", "done"), [][]byte{sized(photo, 65000, 65000, false)}, 422, "more pixels than this box"},
		"seven photos":                   {form("check", "drains", "state", "done"), slices.Repeat([][]byte{photo}, 7), 422, "At most 6 photos"},
		"13 MB":                          {form("check", "drains", "state", "done"), [][]byte{append(bytes.Clone(photo), make([]byte, 13<<20)...)}, 422, "over 12 MB"},
	} {
		resp, text := sent(t, h, c.form, c.photos...)
		if resp.StatusCode != c.status || !strings.Contains(text, c.want) || len(box.told) > 0 {
			t.Errorf("%s: %d, told %v\n%s", name, resp.StatusCode, box.told, text)
		}
	}
	box.photoErr = journal.ErrPhotosFull
	if resp, text := sent(t, h, form("check", "drains", "state", "done"), photo); resp.StatusCode != 422 || !strings.Contains(text, "no room for more photos") || len(box.told) > 0 {
		t.Errorf("full: %d, %v", resp.StatusCode, box.told)
	}
	box.photoErr = errors.New("the disk is gone")
	if resp, _ := sent(t, h, form("check", "drains", "state", "done"), photo); resp.StatusCode != 503 || len(box.told) > 0 {
		t.Errorf("no disk: %d, %v", resp.StatusCode, box.told)
	}
	// Only this form may be large, and only with photos.
	for _, path := range []string{"/marks", "/checks"} {
		resp, _ := visit(t, h, "POST", path, form("kind", "mark", "name", "note", "note", strings.Repeat("x", 20<<10), "check", "drains", "state", "done"))
		if resp.StatusCode/100 != 4 || len(box.told) > 0 {
			t.Errorf("a large form to %s: %d", path, resp.StatusCode)
		}
	}
}

// A phone far from the access point takes longer than a form may; three at a time do not hold up the box.
func TestASlowPhotoIsWaitedFor(t *testing.T) {
	box := newFakeBox("checks")
	s := box.screens()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := server(t.Context(), s.handler(), s.log)
	srv.ReadTimeout, srv.WriteTimeout = 100*time.Millisecond, 100*time.Millisecond
	go func() { _ = srv.Serve(ln) }() // it ends when the test closes it
	defer func() { _ = srv.Close() }()
	in, out := io.Pipe()
	m := multipart.NewWriter(out)
	go func() {
		_ = m.WriteField("check", "drains")
		_ = m.WriteField("state", "done")
		w, _ := m.CreateFormFile("photo", "a.jpg")
		for part := range slices.Chunk(plainJPEG(600, 400), 2000) {
			time.Sleep(60 * time.Millisecond)
			_, _ = w.Write(part)
		}
		_ = out.CloseWithError(m.Close())
	}()
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.Post("http://"+ln.Addr().String()+"/checks", m.FormDataContentType(), in)
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusSeeOther || len(box.told) != 1 || !strings.Contains(box.told[0].Note, " photo ") {
		t.Errorf("%d, told %v", resp.StatusCode, box.told)
	}
	for range cap(s.uploads) {
		s.uploads <- struct{}{}
	}
	if resp, text := sent(t, s.handler(), form("check", "drains", "state", "done")); resp.StatusCode != 422 || !strings.Contains(text, "Try again in a minute") || len(box.told) != 1 {
		t.Errorf("the fourth: %d, told %v", resp.StatusCode, box.told)
	}
}

// A form that came whole is recorded though who sent it is gone before the answer, and one that breaks
// off in its photo is not; neither is an error in the log, for neither is a fault of the box.
func TestWhoSendsAFormMayBeGoneBeforeTheAnswer(t *testing.T) {
	box := newFakeBox("checks")
	var log bytes.Buffer
	h := box.screens(WithLog(slog.New(slog.NewTextHandler(&log, nil)))).handler()
	gone, leave := context.WithCancel(t.Context())
	leave()
	var whole bytes.Buffer
	m := multipart.NewWriter(&whole)
	_ = m.WriteField("check", "drains") // into memory
	_ = m.WriteField("state", "done")
	part, err := m.CreateFormFile("photo", "a.jpg")
	if err != nil {
		t.Fatal(err)
	}
	_, _ = part.Write(plainJPEG(600, 400))
	cut := bytes.Clone(whole.Bytes())
	if err := m.Close(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		kind, path string
		body       []byte
		told       int
	}{
		{"application/x-www-form-urlencoded", "/marks", []byte("kind=mark&name=note&note=the+lift+is+out"), 1},
		{m.FormDataContentType(), "/checks", cut, 1},
	} {
		r := httptest.NewRequestWithContext(gone, http.MethodPost, c.path, bytes.NewReader(c.body))
		r.Host = "127.0.0.1:8090"
		r.Header.Set("Content-Type", c.kind)
		h.ServeHTTP(httptest.NewRecorder(), r)
		if len(box.told) != c.told {
			t.Errorf("%s: told %v, want %d", c.path, box.told, c.told)
		}
	}
	r := httptest.NewRequestWithContext(gone, http.MethodGet, "/photos/"+strings.Repeat("a", 64)+".jpg", nil)
	r.Host, box.photoErr = "127.0.0.1:8090", context.Canceled
	h.ServeHTTP(httptest.NewRecorder(), r)
	if strings.Contains(log.String(), "level=ERROR") {
		t.Errorf("the log says %s", log.String())
	}
}

// A form with photos is signed as every other one is, and is nothing for who only looks on.
func TestNobodySignsACheckForSomebodyElse(t *testing.T) {
	g := testBox(t, true)
	g.night.change(func(s *Snapshot) { s.Checks = newFakeBox("checks").snap.Checks })
	h := g.handler()
	kind, body := multi(t, form("check", "drains", "state", "done", "by", "Mallory"), plainJPEG(20, 20))
	for who, want := range map[string]int{"technician": 303, "viewer": 403, "nobody": 401} {
		r := httptest.NewRequest("POST", "http://127.0.0.1:8090/checks", bytes.NewReader(body))
		r.Header.Set("Content-Type", kind)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
		from(who, g)(r)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != want {
			t.Errorf("%s: %d\n%s", who, w.Code, w.Body)
		}
	}
	if len(g.night.told) != 1 || g.night.told[0].By != "Ines Duarte" || !strings.Contains(g.night.told[0].Note, "done by Ines Duarte photo") {
		t.Fatalf("recorded %+v", g.night.told)
	}
	photo := "/photos/" + g.night.told[0].Note[len(g.night.told[0].Note)-64:] + ".jpg"
	for who, want := range map[string]int{"technician": 200, "viewer": 200, "nobody": 401} {
		if resp, _ := visit(t, h, "GET", photo, nil, from(who, g)); resp.StatusCode != want {
			t.Errorf("the photo for %s: %d", who, resp.StatusCode)
		}
	}
	if _, text := visit(t, h, "GET", "/checks/drains", nil, from("viewer", g)); strings.Contains(text, "<textarea") {
		t.Error("a viewer is asked what he saw")
	}
}

func TestPhotosAreServedByTheirNameAlone(t *testing.T) {
	h := newFakeBox("checks").screens().handler()
	for _, name := range []string{"x.jpg", strings.Repeat("a", 64), strings.Repeat("a", 64) + ".jpg", strings.Repeat("A", 64) + ".jpg", "..%2f..%2fjournal.jpg"} {
		if resp, _ := visit(t, h, "GET", "/photos/"+name, nil); resp.StatusCode != 404 {
			t.Errorf("%s: %d", name, resp.StatusCode)
		}
	}
}

// A step begun with checks open asks once, and every answer is a mark.
func TestAStepBegunWithOpenChecksAsksOnce(t *testing.T) {
	box := newFakeBox("checks")
	h := box.screens().handler()
	_, text := visit(t, h, "GET", "/confirm?do=begin&step=pressure-test", nil)
	asked := regexp.MustCompile(`name="ticked" value="([^"]+)"`).FindAllStringSubmatch(text, -1)
	var names []string
	for _, m := range asked {
		names = append(names, m[1])
	}
	// joints was left open before: asked already
	if want := []string{"no-oil-traps", "nitrogen-rig", "pressure-tag"}; !slices.Equal(names, want) {
		t.Fatalf("it asks for %q, want %q", names, want)
	}
	// On a phone's first screen stand what is recorded and what may hurt; the rest is a tap away, and is there.
	recorded, care, further := strings.Index(text, "This will be recorded"), strings.Index(text, "Dry nitrogen only"), strings.Index(text, "<summary>More to take care of")
	if last := strings.Index(text, "leave room for the hottest hour"); recorded < 0 || care < recorded || further < care || last < further || strings.Index(text, "Checks not done yet: 3") < last {
		t.Errorf("recorded at %d, care at %d, the rest at %d and %d in\n%s", recorded, care, further, last, text)
	}
	begin := form("kind", "begin", "step", "pressure-test", "by", "Ines", "back", "/", "reason", "")
	begin["ticked"] = []string{"nitrogen-rig", "drains"} // drains is not of this step
	resp, text := visit(t, h, "POST", "/marks", begin)
	if resp.StatusCode != 422 || len(box.told) > 0 || !strings.Contains(text, "Write why the checks") || !strings.Contains(text, `value="nitrogen-rig" checked`) {
		t.Errorf("without a reason: %d, %v\n%s", resp.StatusCode, box.told, text)
	}
	begin.Set("reason", "the tags come at noon")
	if resp, text = visit(t, h, "POST", "/marks", begin); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%d\n%s", resp.StatusCode, text)
	}
	var got []string
	for _, m := range box.told {
		got = append(got, m.Kind+" "+m.Name+" "+m.Note+" "+m.By)
	}
	want := []string{"mark checked no-oil-traps left-open by Ines: pressure test was begun all the same, the tags come at noon Ines",
		"mark checked nitrogen-rig done by Ines Ines",
		"mark checked pressure-tag left-open by Ines: pressure test was begun all the same, the tags come at noon Ines",
		"begin pressure-test begun before: take-off Ines"}
	want[3] = "begin pressure-test  Ines"
	if !slices.Equal(got, want) {
		t.Errorf("recorded %q, want %q", got, want)
	}
	// Who posts by script has not been asked: the box enforces nothing, and writes down what was open.
	box = newFakeBox("checks")
	if resp, _ := visit(t, box.screens().handler(), "POST", "/marks", form("kind", "begin", "step", "pressure-test")); resp.StatusCode != http.StatusSeeOther || len(box.told) != 4 {
		t.Errorf("by script: %d, %v", resp.StatusCode, box.told)
	}
	// All ticked: no reason is needed, and nothing is left to ask at the next begin.
	box = newFakeBox("checks")
	begin.Del("reason")
	begin.Set("reason", "")
	begin["ticked"] = names
	if resp, _ := visit(t, box.screens().handler(), "POST", "/marks", begin); resp.StatusCode != http.StatusSeeOther || len(box.told) != 4 {
		t.Errorf("all ticked: %d, %v", resp.StatusCode, box.told)
	}
}

// Power that the box measured speaks against the tick.
func TestMeasuredPowerSpeaksAgainstTheTick(t *testing.T) {
	box := newFakeBox("checks")
	h := box.screens().handler()
	if _, text := visit(t, h, "GET", "/checks/indoor-power-off", nil); !strings.Contains(text, "indoor-power watches this") || strings.Contains(text, "measured otherwise") {
		t.Errorf("before:\n%s", text)
	}
	box.change(func(s *Snapshot) {
		s.Flags = []Flag{{Flag: rules.Flag{Finding: rules.Finding{Flag: "power-too-early", Subject: "indoor-power", Urgency: rules.Wake, Text: "indoor-power: units have power."}}}}
	})
	for _, page := range []string{"/checks", "/checks/indoor-power-off", "/confirm?do=begin&step=evacuation", "/steps/pressure-test"} {
		if _, text := visit(t, h, "GET", page, nil); !strings.Contains(text, "indoor-power: units have power.") {
			t.Errorf("%s does not say so", page)
		}
	}
}

func TestChecksStandWithTheirSteps(t *testing.T) {
	h := newFakeBox("checks").screens().handler()
	_, text := visit(t, h, "GET", "/", nil)
	if !strings.Contains(text, "3 checks not done before you begin") {
		t.Error("Now does not say what is open")
	}
	_, text = visit(t, h, "GET", "/steps", nil)
	if !strings.Contains(text, "1 found wrong, 3 not done yet, of 9 checks") {
		t.Error("Steps does not say how they stand")
	}
	_, text = visit(t, h, "GET", "/steps/pressure-test", nil)
	before, after, ok := strings.Cut(text, "After it has ended")
	if !ok || !strings.Contains(before, "a dip over the map store") || !strings.Contains(after, "Search with leak soap") || strings.Contains(after, "a dip over") {
		t.Errorf("the step's page:\n%s", text)
	}
	_, text = visit(t, h, "GET", "/checks/no-oil-traps", nil)
	first, second := strings.Index(text, "found wrong</strong> · Rui, 02:29"), strings.LastIndex(text, "done</strong> · Ines, 02:28")
	if first < 0 || second < first || !strings.Contains(text, "Photo 1 of: No oil traps") {
		t.Errorf("what was said, newest first:\n%s", text)
	}
}
