// Package deploy holds the scripts that check, show and measure the project,
// and this test of the house rules: what the design fixes and no compiler sees.
// Each failure says what to do. A rule is changed here together with
// DEVELOPERS.md, never around it.
package deploy

import (
	"bytes"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"standwatch/daemon"
)

const root = ".."

// files lists the project's files: committed ones and new ones that git does
// not ignore, as slash paths from the root.
func files(t *testing.T) []string {
	t.Helper()
	cmd := exec.Command("git", "-c", "safe.directory=*", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
	cmd.Dir = root
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("git ls-files: %v; the house rules are checked in a git checkout", err)
	}
	var names []string
	for name := range strings.SplitSeq(strings.Trim(string(out), "\x00"), "\x00") {
		if info, err := os.Lstat(filepath.Join(root, name)); err == nil && info.Mode().IsRegular() {
			names = append(names, name)
		}
	}
	return names
}

// source is a parsed Go file.
type source struct {
	name, dir string // slash paths from the root
	test      bool
	fset      *token.FileSet
	*ast.File
}

func (s source) at(n ast.Node) string {
	return fmt.Sprintf("%s:%d", s.name, s.fset.Position(n.Pos()).Line)
}

// imports lists what the file imports.
func (s source) imports() []string {
	var paths []string
	for _, i := range s.Imports {
		p, _ := strconv.Unquote(i.Path.Value) // the parser has checked it
		paths = append(paths, p)
	}
	return paths
}

// sources parses every Go file of the project.
func sources(t *testing.T) []source {
	t.Helper()
	var all []source
	for _, name := range files(t) {
		if path.Ext(name) != ".go" {
			continue
		}
		fset := token.NewFileSet()
		f, err := parser.ParseFile(fset, filepath.Join(root, name), nil, parser.ParseComments)
		if err != nil {
			t.Errorf("%v", err)
			continue
		}
		all = append(all, source{name, path.Dir(name), strings.HasSuffix(name, "_test.go"), fset, f})
	}
	return all
}

func TestTopLevel(t *testing.T) {
	want := []string{"cmd", "daemon", "sensors", "rules", "configs", "deploy", "testdata", "go.mod", "go.sum", "README.md", "DEVELOPERS.md", "LICENSE"}
	found := map[string]bool{}
	for _, name := range files(t) {
		top, _, _ := strings.Cut(name, "/")
		found[top] = true
		if !strings.HasPrefix(top, ".") && !slices.Contains(want, top) {
			t.Errorf("%s: the top level holds %s and dot-files, nothing else; move it into one of them", name, strings.Join(want, ", "))
		}
	}
	for _, top := range want {
		if !found[top] {
			t.Errorf("the top level lacks %s", top)
		}
	}
}

type layer struct {
	dir string
	may []string
	why string
}

// layers says what of ours a package may import. The first that fits counts;
// a name that ends in "/" stands for everything below it.
var layers = []layer{
	{"sensors", nil, "the vocabulary stands alone, so that an instrument can be written against it and nothing else"},
	{"sensors/all", []string{"sensors", "sensors/"}, "it is the list of instruments"},
	{"sensors/", []string{"sensors"}, "an instrument knows the vocabulary and no other part"},
	{"rules/physics", nil, "physics is pure functions of numbers"},
	{"rules", []string{"sensors", "rules/physics"}, "a judgement rests on the journal's past and nothing else, or replay would differ from the night itself"},
	{"rules/rulestest", []string{"sensors", "rules", "rules/physics"}, "scripts feed rules, they need no daemon"},
	{"daemon/clock", []string{"sensors", "rules"}, "it only stamps"},
	{"daemon/fieldlog", []string{"sensors", "rules"}, "it reads and writes the vocabulary"},
	{"daemon/fieldlog/fieldlogtest", []string{"sensors", "daemon/fieldlog", "daemon/journal"}, "it writes a journal out for tests, and judges nothing"},
	{"daemon/journal", []string{"sensors", "rules"}, "what is kept must not depend on what happens to it later"},
	{"daemon/people", []string{"daemon/journal"}, "who may get in is no matter of pages, messages or instruments"},
	{"daemon/config", []string{"sensors", "sensors/", "rules", "rules/physics"}, "the site file is read before anything runs"},
	{"daemon/broker", []string{"sensors"}, "the broker carries messages and knows nothing of them"},
	{"daemon/uplink", []string{"sensors", "rules", "daemon/journal"}, "what leaves the box follows the journal, and one way out never waits for another"},
	{"daemon/outbox", []string{"sensors", "rules", "daemon/journal", "daemon/clock"}, "what leaves the box follows the journal, and one way out never waits for another; how long the box was away the clock can prove"},
	{"daemon/outbox/mailtest", nil, "it takes mails for tests, whoever sends them"},
	{"daemon/doctor", []string{"sensors", "daemon/config"}, "it looks at a machine and a site file; the chips it looks for are handed to it"},
	{"daemon/stick", nil, "it writes files to a stick and knows nothing of what is in them"},
	{"daemon/horn", []string{"sensors", "rules", "daemon/journal"}, "a horn needs the flags and a wire, and no other part of the box"},
	{"daemon/record", []string{"sensors", "rules", "rules/physics", "daemon/journal", "daemon/fieldlog"}, "a paper follows from the journal alone, not from how the box stands today"},
	{"daemon/exchange", []string{"sensors", "rules", "rules/physics", "daemon/config"}, "what installers send is read before any box runs"},
	{"daemon/web", []string{"sensors", "rules", "rules/physics", "daemon/journal", "daemon/people", "daemon/record", "daemon/exchange"}, "the screens show the box through one interface"},
	{"daemon/board", []string{"sensors", "sensors/mqtt", "rules", "daemon/config", "daemon/journal", "daemon/web"}, "it knows a box by what that tells a broker and a store, and by nothing else"},
	{"daemon/simulate", []string{"sensors", "rules", "rules/physics", "daemon/broker", "daemon/fieldlog", "daemon/config"}, "the simulated site meets the daemon only over MQTT, as a real one does"},
	{"daemon/simulate/trial", nil, "a trial that knew the judges' models would prove nothing of them"},
	{"daemon", []string{"sensors", "sensors/", "rules", "rules/", "daemon/"}, "it joins the parts; only cmd stands above it"},
	{"cmd/", []string{"sensors", "sensors/", "rules", "rules/", "daemon", "daemon/"}, "the command wires everything"},
	{"deploy/scoring", []string{"sensors/all", "rules", "daemon/simulate/trial", "daemon/fieldlog", "daemon/config"}, "it lets the rules judge trials and counts"},
	{"deploy/machine/chips", nil, "a chip that is played from what a driver believes of it would prove nothing of the driver"},
	{"deploy/machine/guest", []string{"deploy/machine/chips"}, "it knows the product from outside only"},
	{"deploy/figures", []string{"sensors", "rules", "sensors/mqtt", "daemon/journal", "daemon"}, "it measures the program from outside and reads what it kept"},
}

func covers(pattern, dir string) bool {
	return pattern == dir || strings.HasSuffix(pattern, "/") && strings.HasPrefix(dir, pattern)
}

func TestImportsPointOneWay(t *testing.T) {
	for _, s := range sources(t) {
		if s.test {
			continue // a test may bring parts together
		}
		i := slices.IndexFunc(layers, func(l layer) bool { return covers(l.dir, s.dir) })
		if i < 0 {
			t.Errorf("%s: the design knows no package here; argue for it in DEVELOPERS.md and add it to layers", s.name)
			continue
		}
		for _, p := range s.imports() {
			dir, ours := strings.CutPrefix(p, "standwatch/")
			if ours && !slices.ContainsFunc(layers[i].may, func(m string) bool { return covers(m, dir) }) {
				t.Errorf("%s imports %s: %s may import of ours only %v, because %s", s.name, p, s.dir, layers[i].may, layers[i].why)
			}
		}
	}
}

// A rule that could look at a clock, a file or another goroutine would judge
// the same journal differently on another day.
func TestRulesArePure(t *testing.T) {
	impure := []string{"os", "net", "sync", "log", "math/rand", "context", "io/fs", "syscall", "unsafe", "runtime"}
	timers := []string{"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTicker", "NewTimer", "Local", "LoadLocation"}
	for _, s := range sources(t) {
		if s.test || s.dir != "rules" && s.dir != "rules/physics" {
			continue
		}
		for _, p := range s.imports() {
			if slices.ContainsFunc(impure, func(i string) bool { return p == i || strings.HasPrefix(p, i+"/") }) {
				t.Errorf("%s imports %s: rules are pure; what they need of the world comes in an Entry or in Start", s.name, p)
			}
		}
		ast.Inspect(s.File, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.GoStmt:
				t.Errorf("%s: rules start no goroutine", s.at(n))
			case *ast.SelectorExpr:
				if name(n.X) == "time" && slices.Contains(timers, n.Sel.Name) {
					t.Errorf("%s: time.%s; rules know only the At of entries, and ask to be woken by Due", s.at(n), n.Sel.Name)
				}
				if name(n.X) == "math" && (n.Sel.Name == "Hypot" || n.Sel.Name == "FMA") && s.name != "rules/hypot.go" {
					t.Errorf("%s: math.%s; its last place is not the same on every machine: hypot in rules/hypot.go", s.at(n), n.Sel.Name)
				}
			}
			return true
		})
	}
}

// deploy/check tests these without the race detector.
func TestNoGoroutineWhereNoRaceIsSought(t *testing.T) {
	alone := []string{"rules", "rules/physics", "rules/rulestest", "daemon/exchange", "daemon/record", "daemon/simulate/trial", "deploy"}
	for _, s := range sources(t) {
		if !slices.Contains(alone, s.dir) {
			continue
		}
		ast.Inspect(s.File, func(n ast.Node) bool {
			_, goes := n.(*ast.GoStmt)
			if sel, ok := n.(*ast.SelectorExpr); ok {
				goes = sel.Sel.Name == "Go" || sel.Sel.Name == "Parallel"
			}
			if goes {
				t.Errorf("%s starts a goroutine: take %s out of \"alone\" in deploy/check, so that the race detector sees it", s.at(n), s.dir)
			}
			return true
		})
	}
}

func name(e ast.Expr) string {
	if id, ok := e.(*ast.Ident); ok {
		return id.Name
	}
	return ""
}

// askClock lists who may ask for the wall clock, and why it never becomes the
// At of an entry. Everybody else gets the time from an entry or by a parameter.
var askClock = map[string]string{
	"daemon/clock":       "it stamps",
	"daemon":             "how long a reading has waited for its commit, and since when a device is missing",
	"daemon/board":       "when a word of a box arrived, and how long a store is left alone",
	"daemon/broker":      "deadlines of a connection",
	"daemon/outbox":      "back-off, and when the other side last said yes",
	"daemon/uplink":      "back-off, and when the other side last said yes",
	"daemon/web":         "deadlines of a page's stream, and whether a certificate is valid",
	"daemon/simulate":    "the pace of the simulated night",
	"sensors":            "Poll keeps an instrument's pace",
	"sensors/mqtt":       "deadlines, and SenML times relative to now (RFC 8428, section 4.5.3), which become the reading's own time",
	"cmd/standwatch":     "how long the demo has run, for its summary",
	"sensors/sensortest": "deadlines of its tests",
	"deploy/figures":     "it measures how long things take",

	"deploy/machine/chips": "a chip takes its time to convert",
	"deploy/machine/guest": "how soon the box heals",
}

func TestOneClockStamps(t *testing.T) {
	used := map[string]bool{}
	for _, s := range sources(t) {
		if s.test {
			continue
		}
		ast.Inspect(s.File, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok || name(sel.X) != "time" || sel.Sel.Name != "Now" {
				return true
			}
			used[s.dir] = true
			if askClock[s.dir] == "" {
				t.Errorf("%s: time.Now; only daemon/clock stamps. What waits may ask the clock: then add %q to askClock with the reason", s.at(sel), s.dir)
			}
			return true
		})
	}
	for dir := range askClock {
		if !used[dir] {
			t.Errorf("askClock lists %s, which does not ask: take it out", dir)
		}
	}
}

func TestNoHiddenState(t *testing.T) {
	for _, s := range sources(t) {
		if s.test {
			continue
		}
		for _, d := range s.Decls {
			switch d := d.(type) {
			case *ast.FuncDecl:
				if d.Name.Name == "init" && d.Recv == nil {
					t.Errorf("%s: no init functions; list it where it is used, as sensors/all and rules.All do", s.at(d))
				}
				if d.Recv == nil && strings.HasPrefix(d.Name.Name, "New") {
					constructorStartsNothing(t, s, d)
				}
			case *ast.GenDecl:
				noGlobalState(t, s, d)
			}
		}
		ast.Inspect(s.File, func(n ast.Node) bool {
			if st, ok := n.(*ast.StructType); ok {
				for _, f := range st.Fields.List {
					if sel, ok := f.Type.(*ast.SelectorExpr); ok && name(sel.X) == "context" && sel.Sel.Name == "Context" {
						t.Errorf("%s: a struct keeps a context; pass it to the function that waits", s.at(f))
					}
				}
			}
			return true
		})
	}
}

func constructorStartsNothing(t *testing.T, s source, d *ast.FuncDecl) {
	ast.Inspect(d, func(n ast.Node) bool {
		if g, ok := n.(*ast.GoStmt); ok {
			t.Errorf("%s: %s starts a goroutine; constructors only construct, Run runs", s.at(g), d.Name.Name)
		}
		return true
	})
}

func noGlobalState(t *testing.T, s source, d *ast.GenDecl) {
	if d.Tok != token.VAR {
		return
	}
	for _, spec := range d.Specs {
		v := spec.(*ast.ValueSpec)
		if sel, ok := v.Type.(*ast.SelectorExpr); ok && (name(sel.X) == "sync" || name(sel.X) == "atomic") {
			t.Errorf("%s: package-level %s.%s; shared state belongs in a value that is passed in", s.at(v), name(sel.X), sel.Sel.Name)
		}
	}
}

func TestEveryPackageSaysWhatItIs(t *testing.T) {
	docs, program := map[string]string{}, map[string]bool{}
	for _, s := range sources(t) {
		program[s.dir] = program[s.dir] || s.Name.Name == "main"
		if _, seen := docs[s.dir]; !seen {
			docs[s.dir] = ""
		}
		if s.Doc != nil && len(s.Doc.Text()) > len(docs[s.dir]) {
			docs[s.dir] = s.Doc.Text()
		}
	}
	for dir, doc := range docs {
		begin := "Package " + path.Base(dir) + " "
		if program[dir] {
			begin = strings.ToUpper(path.Base(dir)[:1]) + path.Base(dir)[1:] + " "
		}
		if !strings.HasPrefix(doc, begin) || len(strings.Fields(doc)) < 6 {
			t.Errorf("%s: write a package comment that begins %q and says what it is for", dir, begin)
		}
	}
}

func TestNames(t *testing.T) {
	bad := []string{"internal", "pkg", "util", "utils", "common", "types", "models", "helpers", "misc", "base", "manager"}
	for _, s := range sources(t) {
		for part := range strings.SplitSeq(s.dir, "/") {
			if slices.Contains(bad, part) {
				t.Errorf("%s: a package is named after what it knows, not %q", s.name, part)
			}
		}
		ast.Inspect(s.File, func(n ast.Node) bool {
			if ts, ok := n.(*ast.TypeSpec); ok && strings.Contains(strings.ToLower(ts.Name.Name), "manager") {
				t.Errorf("%s: %s: say what it is; a name that needs \"manager\" hides two things", s.at(ts), ts.Name.Name)
			}
			return true
		})
	}
}

func TestModuleFile(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "go.mod"))
	if err != nil {
		t.Fatal(err)
	}
	if regexp.MustCompile(`(?m)^\s*replace\b`).Match(text) {
		t.Error("go.mod has a replace: it would not hold for who installs us; use a released version")
	}
}

func TestEveryInstrumentIsListed(t *testing.T) {
	listed := map[string]bool{}
	instruments := map[string]bool{}
	for _, s := range sources(t) {
		switch {
		case s.test:
		case s.dir == "sensors/all":
			for _, p := range s.imports() {
				listed[strings.TrimPrefix(p, "standwatch/")] = true
			}
		case s.dir == "sensors/sensortest": // the conformance suite
		case path.Dir(s.dir) == "sensors":
			instruments[s.dir] = true
		}
	}
	if len(instruments) == 0 {
		t.Error("no instrument found under sensors/")
	}
	for dir := range instruments {
		if !listed[dir] {
			t.Errorf("%s is not in sensors/all: add its line there, or nobody can use it", dir)
		}
	}
}

// Written in halves, so that this file does not hold them itself.
var unwanted = map[string]string{
	"trans" + "cript":           "the project speaks for itself: say it without",
	"seed doc" + "ument":        "the project speaks for itself: say it without",
	"language mo" + "del":       "the project speaks for itself: say it without",
	"sub" + "agent":             "the project speaks for itself: say it without",
	"AI-gene" + "rated":         "the project speaks for itself: say it without",
	"/wo" + "rk/":               "a path of one machine means nothing on another: use a relative path or a temporary folder",
	"/ro" + "ot/":               "a path of one machine means nothing on another: use $HOME or a temporary folder",
	"/ho" + "me/":               "a path of one machine means nothing on another: use $HOME or a temporary folder",
	"proxy.go" + "lang":         "which registry is used is the machine's matter: name packages, not hosts",
	"registry.np" + "mjs":       "which registry is used is the machine's matter: name packages, not hosts",
	"deb.deb" + "ian":           "which registry is used is the machine's matter: name packages, not hosts",
	"FIX" + "ME":                "do it, or file it as an issue",
	"TO" + "DO":                 "do it, or file it as an issue",
	"XX" + "X":                  "do it, or file it as an issue",
	"not imple" + "mented":      "do it, or leave it out",
	"<<<<" + "<<<":              "finish the merge",
	"\"reso" + "lved\": \"http": "a lock file without addresses: npm's omit-lockfile-registry-resolved",
}

func TestWordsThatDoNotBelong(t *testing.T) {
	for _, name := range files(t) {
		text, err := os.ReadFile(filepath.Join(root, name))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.IndexByte(text, 0) >= 0 || name == "go.sum" || name == "LICENSE" {
			continue
		}
		lower := strings.ToLower(string(text))
		for word, why := range unwanted {
			if !strings.Contains(lower, strings.ToLower(word)) {
				continue // so that the exact search is left to few
			}
			for _, i := range whole(string(text), word) {
				t.Errorf("%s:%d: %q: %s", name, 1+bytes.Count(text[:i], []byte("\n")), word, why)
			}
		}
	}
}

// whole finds a word where no letter continues it. Words in lower case are
// found in any case.
func whole(text, word string) []int {
	pattern := regexp.QuoteMeta(word)
	if strings.ToLower(word) == word {
		pattern = "(?i)" + pattern
	}
	pattern = `(^|[^A-Za-z.])` + pattern
	if last := word[len(word)-1]; last != '/' && last != 'p' && last != '<' {
		pattern += `s?($|[^A-Za-z])`
	}
	var at []int
	for _, m := range regexp.MustCompile(pattern).FindAllStringIndex(text, -1) {
		at = append(at, m[0]+1)
	}
	return at
}

func TestNoTestIsSkipped(t *testing.T) {
	for _, s := range sources(t) {
		if !s.test {
			continue
		}
		ast.Inspect(s.File, func(n ast.Node) bool {
			if sel, ok := n.(*ast.SelectorExpr); ok && slices.Contains([]string{"Skip", "Skipf", "SkipNow"}, sel.Sel.Name) {
				t.Errorf("%s: a skipped test reads as a passed one; fail, and say that deploy/check installs what is missing", s.at(sel))
			}
			return true
		})
	}
}

// longest is where a function has become hard to hold in the head.
const longest = 100

func TestFunctionsAreShort(t *testing.T) {
	for _, s := range sources(t) {
		if s.test {
			continue
		}
		for _, d := range s.Decls {
			f, ok := d.(*ast.FuncDecl)
			if !ok {
				continue
			}
			if n := s.fset.Position(f.End()).Line - s.fset.Position(f.Pos()).Line + 1; n > longest {
				t.Errorf("%s: %s has %d lines, more than %d; name its parts", s.at(f), f.Name.Name, n, longest)
			}
		}
	}
}

func TestScriptsRun(t *testing.T) {
	all := []string{".ci/run"}
	for _, name := range files(t) {
		if path.Dir(name) == "deploy" && path.Ext(name) == "" {
			all = append(all, name)
		}
	}
	for _, name := range all {
		text, err := os.ReadFile(filepath.Join(root, name))
		if err != nil {
			t.Error(err)
			continue
		}
		info, err := os.Stat(filepath.Join(root, name))
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode()&0o111 == 0 || !bytes.HasPrefix(text, []byte("#!/usr/bin/env bash\n")) {
			t.Errorf("%s: a script begins with #!/usr/bin/env bash and has its run bit: git update-index --chmod=+x %s", name, name)
		}
	}
}

// The site file that the README shows is one that works.
func TestReadmeSiteFile(t *testing.T) {
	text, err := os.ReadFile(filepath.Join(root, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(text), "```yaml\n")
	site, _, found := strings.Cut(after, "```")
	if !found {
		t.Fatal("README.md shows no site file between ```yaml and ```")
	}
	file := filepath.Join(t.TempDir(), "site.yaml")
	if err := os.WriteFile(file, []byte(site), 0o600); err != nil {
		t.Fatal(err)
	}
	_, faults := daemon.Load(file)
	for _, fault := range faults {
		t.Errorf("the site file in README.md: %v", fault)
	}
}

// A page that names a file which has moved sends its reader nowhere.
func TestPagesPointToFiles(t *testing.T) {
	links := regexp.MustCompile(`\]\(([^)#]+)(?:#[^)]*)?\)|` + "`((?:deploy|configs|daemon|sensors|rules|cmd|testdata|\\.ci)/[A-Za-z0-9_./-]+)`")
	for _, page := range []string{"README.md", "DEVELOPERS.md"} {
		text, err := os.ReadFile(filepath.Join(root, page))
		if err != nil {
			t.Error(err)
			continue
		}
		found := 0
		for _, m := range links.FindAllStringSubmatch(string(text), -1) {
			to := m[1] + m[2]
			if strings.Contains(to, "://") {
				continue
			}
			found++
			if _, err := os.Stat(filepath.Join(root, to)); err != nil {
				t.Errorf("%s points to %s, which is not there", page, to)
			}
		}
		if found < 10 {
			t.Errorf("%s points to %d files; a stranger should find the file for any sentence", page, found)
		}
	}
}
