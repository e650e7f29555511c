package web

import (
	"go/ast"
	"go/parser"
	"go/token"
	"html"
	"net/http"
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/goccy/go-yaml"

	"standwatch/rules"
)

// elsewhere writes a sentence of the catalogue in letters of another script,
// and leaves what the page fills in. Whatever is still in ours on a page of
// that language does not come from the catalogue.
func elsewhere(text string) string {
	var b strings.Builder
	verbs := regexp.MustCompile(`%(\[\d+\])?[a-z%]|\{[a-z]+\}`)
	last := 0
	far := func(part string) {
		for _, r := range part {
			switch {
			case r >= 'a' && r <= 'z', r >= 'A' && r <= 'Z':
				r += 0xFF21 - 'A' // full width
			}
			b.WriteRune(r)
		}
	}
	for _, m := range verbs.FindAllStringIndex(text, -1) {
		far(text[last:m[0]])
		b.WriteString(text[m[0]:m[1]])
		last = m[1]
	}
	far(text[last:])
	return b.String()
}

// catalogues are English and a language made up for the test.
func catalogues(t *testing.T, change func(words)) fstest.MapFS {
	t.Helper()
	text, err := wordFiles.ReadFile("words/en.yaml")
	if err != nil {
		t.Fatal(err)
	}
	other := words{}
	for key, said := range english(t) {
		other[key] = elsewhere(said)
	}
	other["language"] = "eo"
	if change != nil {
		change(other)
	}
	far, err := yaml.Marshal(other)
	if err != nil {
		t.Fatal(err)
	}
	return fstest.MapFS{"words/en.yaml": {Data: text}, "words/eo.yaml": {Data: far}}
}

func (b *fakeBox) speaking(t *testing.T, files fstest.MapFS) http.Handler {
	t.Helper()
	all, err := readLanguages(files)
	if err != nil {
		t.Fatal(err)
	}
	return b.screens(func(s *screens) { s.languages = all }).handler()
}

func wanting(languages string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set("Accept-Language", languages) }
}

// A second language is a file: the browser's wish picks it, and nothing of a
// page stays in the first but what a judge or a person wrote.
func TestASecondLanguageIsAFile(t *testing.T) {
	for _, scene := range []string{"hold", "weigh", "take-off", "rooms", "branches", "count", "checks", "leaking", "break", "drawn-in", "answered", "idle", "empty", "old"} {
		box := newFakeBox(scene)
		h := box.speaking(t, catalogues(t, nil))
		data := writtenElsewhere(box)
		for _, page := range pagesOfAll(scene) {
			resp, text := visit(t, h, "GET", page, nil, wanting("eo, en;q=0.5"))
			if !strings.Contains(text, `<html lang="eo">`) || !slices.Contains(resp.Header.Values("Vary"), "Accept-Language") {
				t.Fatalf("%s %s does not speak the other language: %v", scene, page, resp.Header)
			}
			for _, said := range shownTexts(text) {
				said = regexp.MustCompile(`\{[a-z]+\}`).ReplaceAllString(said, "")
				for _, word := range regexp.MustCompile(`[A-Za-z]{2,}`).FindAllString(said, -1) {
					if !data[word] && !symbols[word] {
						t.Errorf("%s %s says %q in English: %q", scene, page, word, said)
					}
				}
			}
		}
	}
}

// symbols are written alike in every language: units, and how files and
// standards are called.
var symbols = func() map[string]bool {
	all := map[string]bool{}
	for _, s := range strings.Fields("micron Pa kPa hPa bar psi inHg kg lb oz std cm ft min mm CSV MQTT Wire SI US USD Lisbon Europe UTC " +
		"run line outside diameter length wall factor") { // the columns of a take-off's file, by the contract
		all[s] = true
	}
	return all
}()

// writtenElsewhere are the words of what the page is about: names, judges'
// sentences, notes. They are not the catalogue's.
func writtenElsewhere(box *fakeBox) map[string]bool {
	all := map[string]bool{}
	var walk func(v reflect.Value, deep int)
	walk = func(v reflect.Value, deep int) {
		if deep > 12 {
			return
		}
		switch v.Kind() {
		case reflect.String:
			for _, w := range regexp.MustCompile(`[A-Za-z]{2,}`).FindAllString(v.String(), -1) {
				all[w] = true
			}
		case reflect.Pointer, reflect.Interface:
			if !v.IsNil() {
				walk(v.Elem(), deep+1)
			}
		case reflect.Struct:
			for i := range v.NumField() {
				walk(v.Field(i), deep+1)
			}
		case reflect.Slice, reflect.Array:
			for i := range v.Len() {
				walk(v.Index(i), deep+1)
			}
		case reflect.Map:
			for _, k := range v.MapKeys() {
				walk(k, deep+1)
				walk(v.MapIndex(k), deep+1)
			}
		}
	}
	snap := box.snap
	for i := range snap.Outward { // the names of the ways are the catalogue's matter
		snap.Outward[i].Name = ""
	}
	walk(reflect.ValueOf(snap), 0)
	for _, l := range rules.Limits() { // the judges' own: what a limit is, and where it comes from
		walk(reflect.ValueOf(l.Doc+" "+l.Source), 0)
	}
	delete(all, "Local")
	for _, w := range strings.Fields("Scale silent for") { // of the finding behind the link of a message
		all[w] = true
	}
	return all
}

// shownTexts are what a person sees or hears of a page: text, and the
// attributes that speak.
func shownTexts(page string) (all []string) {
	page = regexp.MustCompile(`(?s)<(style|script).*?</(style|script)>`).ReplaceAllString(page, "")
	for _, m := range regexp.MustCompile(`(?:aria-label|title|alt|placeholder|data-title|data-lost|data-unsent|data-unsent-again|data-unopened|data-sending|data-full|data-read|data-units|data-head)="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		all = append(all, html.UnescapeString(m[1]))
	}
	for _, m := range regexp.MustCompile(`>([^<]+)<`).FindAllStringSubmatch(page, -1) {
		if text := strings.TrimSpace(html.UnescapeString(m[1])); text != "" {
			all = append(all, text)
		}
	}
	return all
}

func pagesOfAll(scene string) []string {
	all := []string{"/", "/points", "/steps", "/flags", "/box", "/ledger", "/branches", "/more"}
	if scene == "checks" {
		all = append(all, "/checks", "/checks/valves-shut", "/checks/indoor-power-off", "/steps/pressure-test", "/confirm?do=begin&step=pressure-test")
	}
	if scene == "hold" {
		all = append(all, "/points/gauge", "/steps/vacuum-hold", "/steps/weigh-in", "/confirm?do=end&step=vacuum-hold", "/confirm?do=begin&step=draw-in",
			"/mark/cylinder-weight?step=weigh-in", "/mark/command?step=cooling-check", "/mark/accepted?step=vacuum-hold", "/takeoff", "/sheet", "/import", "/record", "/record/job?do=close",
			"/typed?step=cooling-check&unit=iu01", "/nothing", "/flags/ack?id=7&key=secret")
	}
	return all
}

func TestWhoWantsNoneOfTheOthersGetsEnglish(t *testing.T) {
	h := newFakeBox("hold").speaking(t, catalogues(t, nil))
	for wish, want := range map[string]string{"": "en", "fr": "en", "en-GB, eo;q=0.9": "en", "eo-XX": "eo", "fr, eo;q=0.3": "eo", "*": "en", ";;;": "en", strings.Repeat("x", 9000): "en"} {
		if _, text := visit(t, h, "GET", "/", nil, wanting(wish)); !strings.Contains(text, `<html lang="`+want+`">`) {
			t.Errorf("%.40q does not get %s", wish, want)
		}
	}
	// What a young catalogue lacks is said in English, never by its key.
	h = newFakeBox("hold").speaking(t, catalogues(t, func(w words) { delete(w, "nav.now") }))
	if _, text := visit(t, h, "GET", "/", nil, wanting("eo")); !strings.Contains(text, ">Now<") || strings.Contains(text, "nav.now") {
		t.Error("a missing word is not said in English")
	}
}

// The plural forms are the language's own: Polish has one for 2 to 4 and
// another for 5 and more (Unicode CLDR, plural rules, "pl").
func TestPluralFormsAreTheLanguages(t *testing.T) {
	w := words{"language": "pl", "k.one": "%d a", "k.few": "%d b", "k.many": "%d c", "k.other": "%d d"}
	for n, want := range map[int]string{1: "1 a", 2: "2 b", 4: "4 b", 5: "5 c", 12: "12 c", 22: "22 b"} {
		if got := w.count("k", n); got != want {
			t.Errorf("%d: %q, want %q", n, got, want)
		}
	}
	w["language"] = "en"
	for n, want := range map[int]string{0: "0 d", 1: "1 a", 2: "2 d"} {
		if got := w.count("k", n); got != want {
			t.Errorf("%d in English: %q, want %q", n, got, want)
		}
	}
}

// No template has words of its own.
func TestTemplatesHaveNoWordsOfTheirOwn(t *testing.T) {
	files, err := filepath.Glob("pages/*.html")
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		page := regexp.MustCompile(`(?s)\{\{.*?\}\}`).ReplaceAllString(string(text), "")
		for _, said := range shownTexts(">" + page + "<") {
			if w := regexp.MustCompile(`[A-Za-z]{2,}`).FindString(said); w != "" {
				t.Errorf("%s says %q: put it into words/en.yaml", f, said)
			}
		}
	}
}

// No script has: what it says stands in data attributes that the server filled.
func TestScriptsHaveNoWordsOfTheirOwn(t *testing.T) {
	files, err := filepath.Glob("assets/*.js")
	if err != nil || len(files) == 0 {
		t.Fatal(err)
	}
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(string(text), "\n") {
			line, _, _ = strings.Cut(line, "// ")
			for _, m := range regexp.MustCompile("\"([^\"]*)\"|'([^']*)'|`([^`]*)`").FindAllStringSubmatch(line, -1) {
				said := m[1] + m[2] + m[3]
				if regexp.MustCompile(`[A-Za-z]{2,}[,.]? [A-Za-z]{2,}`).MatchString(said) && !regexp.MustCompile(`[\[\]#:=>&]|system-ui|use strict`).MatchString(said) {
					t.Errorf("%s:%d says %q: put it into words/en.yaml and a data attribute", f, i+1, said)
				}
			}
			if m := regexp.MustCompile(`textContent = "[A-Za-z]|innerText = "[A-Za-z]|alert\(`).FindString(line); m != "" {
				t.Errorf("%s:%d has words of its own: %s", f, i+1, line)
			}
		}
	}
}

// No code of the pages has: a sentence in a string is a log line, a fault of
// the site file or an error, or it is missing in the catalogue.
func TestCodeHasNoSentencesOfItsOwn(t *testing.T) {
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	set := token.NewFileSet()
	for _, f := range files {
		if strings.HasSuffix(f, "_test.go") || f == "config.go" { // the one says what is wrong with a site file
			continue
		}
		tree, err := parser.ParseFile(set, f, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(tree, func(n ast.Node) bool {
			switch x := n.(type) {
			case *ast.CallExpr: // what these say is for a log or a developer
				if name := called(x); slices.Contains([]string{"Errorf", "New", "Error", "Warn", "Info", "Debug", "MustCompile", "panic", "With", "notRead"}, name) {
					return false
				}
			case *ast.ImportSpec, *ast.Field:
				return false
			case *ast.BasicLit:
				if x.Kind != token.STRING {
					return false
				}
				said, err := strconv.Unquote(x.Value)
				if err != nil {
					t.Fatal(err)
				}
				if regexp.MustCompile(`[A-Za-z]{2,},? [a-z]{2,}`).MatchString(said) && !regexp.MustCompile(`<[a-z/]|'self'|max-age|text/|^(GET|POST) |^: |std cm³|^dimension overflow$`).MatchString(said) {
					t.Errorf("%s says %q: put it into words/en.yaml", set.Position(x.Pos()), said)
				}
			}
			return true
		})
	}
}

func called(x *ast.CallExpr) string {
	switch f := x.Fun.(type) {
	case *ast.SelectorExpr:
		return f.Sel.Name
	case *ast.Ident:
		return f.Name
	}
	return ""
}
