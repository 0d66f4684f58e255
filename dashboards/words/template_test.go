package words_test

import (
	"html/template"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"
	"golang.org/x/text/language"

	"dewline/dashboards/words"
)

// TestRewrite holds what is found in a template, and what comes of it when its translation is put there.
func TestRewrite(t *testing.T) {
	for source, want := range map[string]string{
		`<p>Show</p>`:                           `<p>[Show]</p>`,
		"<p>\n  {{.A}} of\n {{.B}}. </p>":       "<p>\n  [{{.A}} of {{.B}}.] </p>",
		`{{if .A}}one{{else}}two{{end}}`:        `{{if .A}}[one]{{else}}[two]{{end}}`,
		`<a title="Say {{.A}}" href="go">x</a>`: `<a title="[Say {{.A}}]" href="go">[x]</a>`,
		`<img alt='it &amp; that'>`:             `<img alt='[it &amp; that]'>`,
		`<input type="submit" value="Send">`:    `<input type="submit" value="[Send]">`,
		`<input type="text" value="Send">`:      `<input type="text" value="Send">`,
		`<p{{if gt .A 1}} class="a>b"{{end}}>x`: `<p{{if gt .A 1}} class="a>b"{{end}}>[x]`,
		`<code>x</code><script>y</script>`:      `<code>x</code><script>y</script>`,
		`<!-- x --><p>{{.A}}</p>{{/* y */}}`:    `<!-- x --><p>{{.A}}</p>{{/* y */}}`,
		`{{$x := .A}}{{"}} a"}} b`:              `{{$x := .A}}[{{"}} a"}} b]`,
		`{{template "mark" .A}} {{.B}} left`:    `{{template "mark" .A}} [{{.B}} left]`,
		`Read {{template "age" .A}} then`:       `[Read {{template "age" .A}} then]`,
		"a {{- .A -}} b":                        "[a{{.A}}b]",
		`{{.A}} ± {{.B}} °`:                     `{{.A}} ± {{.B}} °`,
		`, less {{.A}}`:                         `, [less {{.A}}]`,
		`{{range .A}}x, {{end}}`:                `{{range .A}}[x,] {{end}}`,
		`<p>1 < 2 is so</p>`:                    `<p>[1 &lt; 2 is so]</p>`,
		`<svg><text dy="4">up</text></svg>`:     `<svg><text dy="4">[up]</text></svg>`,
	} {
		l := words.Invented(language.Und, func(english string) string { return "[" + english + "]" })
		if got := words.Rewrite(source, l); got != want {
			t.Errorf("%s\nis %s\nnot %s", source, got, want)
		}
		if got := words.Rewrite(source, words.Source); got != source {
			t.Errorf("in English %s is %s", source, got)
		}
	}
}

func TestMessages(t *testing.T) {
	got := words.Messages(`<h1>{{or .Name (say "Your \"account\"")}}</h1>{{if .A}}<p>Drawn at {{.At}}. It is {{say "new"}}.</p>{{end}}`)
	want := []string{`Your "account"`, "Drawn at {1}. It is {2}.", "new"}
	if !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
}

// TestTranslationIsText holds that a translation makes no markup, no attribute and no action, wherever it
// stands.
func TestTranslationIsText(t *testing.T) {
	const hostile = `"'><script>alert(1)</script>{{.Secret}} {1} {{"{{"}} {9} \u003cb\u003e onclick=x`
	l := words.Invented(language.Und, func(string) string { return hostile })
	const source = `<title>Hello {{.Name}}</title><p title="Hello {{.Name}}">Hello {{.Name}}</p><input placeholder='Hello {{.Name}}'><textarea>Hello {{.Name}}</textarea>`
	var out strings.Builder
	page, err := template.New("").Option("missingkey=error").Parse(words.Rewrite(source, l))
	if err != nil {
		t.Fatal(err)
	}
	if err := page.Execute(&out, map[string]string{"Name": `<i>"'`, "Secret": "told"}); err != nil {
		t.Fatal(err)
	}
	shown := strings.NewReplacer("{1}", `<i>"'`, "{9}", "").Replace(hostile) // {9} stands for nothing
	var made []string
	for tokens := html.NewTokenizer(strings.NewReader(out.String())); tokens.Next() != html.ErrorToken; {
		token := tokens.Token()
		switch token.Type {
		case html.StartTagToken:
			text := token.Data
			for _, a := range token.Attr {
				text += " " + a.Key
				if a.Val != shown {
					t.Errorf("%s is %q", a.Key, a.Val)
				}
			}
			made = append(made, text)
		case html.TextToken:
			if token.Data != shown {
				t.Errorf("%q", token.Data)
			}
		}
	}
	if !slices.Equal(made, []string{"title", "p title", "input placeholder", "textarea"}) {
		t.Errorf("%q", made)
	}
}

// FuzzRewrite holds that no byte of a template is lost, whatever it is.
func FuzzRewrite(f *testing.F) {
	for _, seed := range []string{`<p title="a {{.B}}">c {{- .D -}} e</p>`, `{{if "}}"}}<a b='{{`, `<script>{{`, "<!-- {{", `<p "`} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, source string) {
		if got := words.Rewrite(source, words.Source); got != source {
			t.Errorf("%q became %q", source, got)
		}
		words.Messages(source)
		words.Rewrite(source, words.Invented(language.Und, strings.ToUpper))
	})
}
