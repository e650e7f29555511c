package web

import (
	"fmt"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strings"

	"golang.org/x/text/feature/plural"
	"golang.org/x/text/language"
)

// spoken is one catalogue: a file of words/, named by its language's tag, and the pages in its words.
type spoken struct {
	tag   language.Tag
	words words
	pages map[string]*template.Template
}

// readLanguages reads every catalogue; English comes first and serves whoever
// wants none of the others. What a catalogue lacks is said in English.
func readLanguages(files fs.FS) ([]spoken, error) {
	names, err := fs.Glob(files, "words/*.yaml")
	if err != nil {
		return nil, err
	}
	var all []spoken
	for _, name := range names {
		tag, err := language.Parse(strings.TrimSuffix(path.Base(name), ".yaml"))
		if err != nil {
			return nil, fmt.Errorf("%s is named after no language: %w", name, err)
		}
		w, err := readWords(files, name)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		all = append(all, spoken{tag: tag, words: w})
	}
	i := slices.IndexFunc(all, func(x spoken) bool { return x.tag == language.English })
	if i < 0 {
		return nil, fmt.Errorf("words/en.yaml is missing")
	}
	all[0], all[i] = all[i], all[0]
	for _, x := range all[1:] {
		for key, said := range all[0].words {
			if _, ok := x.words[key]; !ok {
				x.words[key] = said
			}
		}
	}
	return all, nil
}

// inEach answers a request in the language, of those there are, that its
// browser asks for.
func (s *screens) inEach() http.Handler {
	var tags []language.Tag
	var handlers []http.Handler
	for _, x := range s.languages {
		one := *s // the words and pages are its own, all else is shared
		one.words, one.pages = x.words, x.pages
		tags, handlers = append(tags, x.tag), append(handlers, one.guard(one.routes()))
	}
	return matched(tags, handlers)
}

// matched asks the handler of the language that the browser wants most.
func matched(tags []language.Tag, handlers []http.Handler) http.Handler {
	if len(handlers) == 1 {
		return handlers[0]
	}
	matcher := language.NewMatcher(tags)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Add("Vary", "Accept-Language")
		wanted, _, _ := language.ParseAcceptLanguage(r.Header.Get("Accept-Language")) // what cannot be read wants nothing
		_, i, sure := matcher.Match(wanted...)
		if sure == language.No {
			i = 0
		}
		handlers[i].ServeHTTP(w, r)
	})
}

// count says how many there are: under key with the plural form that the
// language has for n (.one, .few, .many, .other: the categories of Unicode's
// CLDR), where the catalogue makes the difference, else under key itself.
func (w words) count(key string, n int, args ...any) string {
	args = append([]any{n}, args...)
	form := plural.Cardinal.MatchPlural(language.Make(w["language"]), n, 0, 0, 0, 0)
	for _, k := range []string{key + "." + pluralForms[form], key + ".other"} {
		if _, ok := w[k]; ok {
			return w.say(k, args...)
		}
	}
	return w.say(key, args...)
}

var pluralForms = map[plural.Form]string{plural.Zero: "zero", plural.One: "one", plural.Two: "two", plural.Few: "few", plural.Many: "many", plural.Other: "other"}
