// Package apidoc shows the descriptions of the interfaces (package api) as one page to read: no script, nothing loaded
// from anywhere, and so for readers behind any policy.
//
// The page is a pure function of the embedded files. It keeps their order, and says of a schema what a person asks first:
// which members there are, which may be left out, and what stands in each. What it does not put into words, such as
// conditions between members, it shows as it is written.
package apidoc

import (
	"bytes"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"path"
	"strings"

	"go.yaml.in/yaml/v3"

	"readback/api"
)

var (
	//go:embed page.html
	pageText string
	//go:embed page.css
	style string
)

// Policy is the content security policy of the page: its one style, by its hash, and nothing else.
func Policy() string {
	sum := sha256.Sum256([]byte(style))
	return "default-src 'none'; style-src 'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
}

// page is what the template shows.
type page struct {
	Style   template.CSS
	HTTP    document
	Groups  []group
	Answers []answer
	Live    document
	Says    []speaker
	Codes   []closeCode
	Schemas []schemaFile
}

type document struct{ Title, Description string }

// group is the operations of one tag.
type group struct {
	Name       string
	Operations []operation
}

type operation struct {
	Method, Path, Anchor, Summary, Description string
	Open                                       bool // nobody need be signed in
	Parameters                                 []row
	Body                                       *shape
	Examples                                   []string
	Responses                                  []response
}

type response struct {
	Status, Description, Link string
	Media                     string
	Shape                     *shape
	Examples                  []string
}

// answer is a refusal that operations share.
type answer struct {
	Name, Description string
	Problems          []string
}

// speaker is one side of the websocket.
type speaker struct {
	Title    string
	Messages []message
}

type message struct {
	Name, Anchor, Summary string
	Shape                 *shape
	Examples              []string
}

type closeCode struct {
	Code, Name   string
	Resume       bool // connect again without anybody's doing
	Reason, When string
}

type schemaFile struct {
	File, Title, Anchor string
	Shape               *shape
	Guards              []guard // what its commands ask
	Definitions         []definition
}

// guard is a condition that holds commands back.
type guard struct{ Name, Anchor, Asks string }

type definition struct {
	Name, Anchor string
	Rules        *rules
	Shape        *shape
}

// rules say who may give a command, when, behind what, and what comes of it.
type rules struct {
	Given                []given
	Guards, Makes, Stale []string
}

// given is who may give a command in which phases.
type given struct {
	Who    string
	Phases []string
}

// Page writes the page.
func Page() ([]byte, error) {
	http, err := read("openapi.yaml")
	if err != nil {
		return nil, err
	}
	live, err := read("asyncapi.yaml")
	if err != nil {
		return nil, err
	}
	p := page{
		Style: template.CSS(style),
		HTTP:  document{http.at("info").text("title"), http.at("info").text("description")},
		Live:  document{live.at("info").text("title"), live.at("info").text("description")},
	}
	p.operations(http)
	p.messages(live)
	if err := p.schemas(); err != nil {
		return nil, err
	}
	t, err := template.New("page").Funcs(template.FuncMap{"prose": prose, "plain": plain, "guard": guardAnchor}).Parse(pageText)
	if err != nil {
		return nil, fmt.Errorf("page of the interfaces: %w", err)
	}
	var out bytes.Buffer
	if err := t.Execute(&out, p); err != nil {
		return nil, fmt.Errorf("page of the interfaces: %w", err)
	}
	return out.Bytes(), nil
}

func read(name string) (node, error) {
	raw, err := api.Files().ReadFile(name)
	if err != nil {
		return node{}, err
	}
	var doc yaml.Node
	if err := yaml.Unmarshal(raw, &doc); err != nil || len(doc.Content) != 1 {
		return node{}, fmt.Errorf("read %s: %w", name, err)
	}
	return node{doc.Content[0]}, nil
}

func (p *page) operations(doc node) {
	at := map[string]int{}
	for _, tag := range doc.at("tags").items() {
		at[tag.text("name")] = len(p.Groups)
		p.Groups = append(p.Groups, group{Name: tag.text("name")})
	}
	for route, item := range doc.at("paths").members() {
		for method, o := range item.members() {
			if method == "parameters" {
				continue
			}
			op := operation{
				Method: strings.ToUpper(method), Path: route, Anchor: "op-" + o.text("operationId"),
				Summary: o.text("summary"), Description: o.text("description"), Open: o.has("security"),
			}
			for _, list := range []node{item.at("parameters"), o.at("parameters")} {
				for _, one := range list.items() {
					one = doc.resolve(one)
					r := row{Name: one.text("name"), Optional: one.text("required") != "true", Shape: shapeOf("openapi.yaml", one.at("schema"))}
					r.Shape.Description = strings.TrimSpace(one.text("description") + " " + r.Shape.Description)
					op.Parameters = append(op.Parameters, r)
				}
			}
			for _, media := range o.at("requestBody").at("content").members() {
				op.Body = shapeOf("openapi.yaml", media.at("schema"))
				op.Examples = examples(media)
			}
			for status, one := range o.at("responses").members() {
				r := response{Status: status, Description: one.text("description")}
				if ref := one.text("$ref"); ref != "" {
					r.Description = doc.resolve(one).text("description")
					r.Link = "answer-" + path.Base(ref)
				}
				for media, content := range one.at("content").members() {
					r.Media, r.Shape, r.Examples = media, shapeOf("openapi.yaml", content.at("schema")), examples(content)
				}
				op.Responses = append(op.Responses, r)
			}
			g := &p.Groups[at[o.at("tags").items()[0].n.Value]]
			g.Operations = append(g.Operations, op)
		}
	}
	for name, one := range doc.at("components").at("responses").members() {
		a := answer{Name: name, Description: one.text("description")}
		for _, slug := range one.at("x-problems").items() {
			a.Problems = append(a.Problems, slug.n.Value)
		}
		p.Answers = append(p.Answers, a)
	}
}

func (p *page) messages(doc node) {
	for _, o := range doc.at("operations").members() {
		s := speaker{Title: o.text("title")}
		for _, ref := range o.at("messages").items() {
			m := doc.resolve(doc.resolve(ref))
			one := message{Name: m.text("title"), Anchor: "message-" + path.Base(ref.text("$ref")), Summary: m.text("summary"), Shape: shapeOf("asyncapi.yaml", m.at("payload").at("schema"))}
			for _, e := range m.at("examples").items() {
				one.Examples = append(one.Examples, e.at("payload").json())
			}
			s.Messages = append(s.Messages, one)
		}
		p.Says = append(p.Says, s)
	}
	for _, c := range doc.at("channels").at("live").at("x-close-codes").items() {
		p.Codes = append(p.Codes, closeCode{c.text("code"), c.text("name"), c.text("resume") == "true", c.text("reason"), c.text("when")})
	}
}

func (p *page) schemas() error {
	files, err := api.Files().ReadDir("schema")
	if err != nil {
		return err
	}
	for _, f := range files {
		doc, err := read("schema/" + f.Name())
		if err != nil {
			return err
		}
		s := schemaFile{File: f.Name(), Title: doc.text("title"), Anchor: anchor(f.Name(), ""), Shape: shapeOf(f.Name(), doc)}
		for name, asks := range doc.at("x-guards").members() {
			s.Guards = append(s.Guards, guard{name, guardAnchor(name), asks.n.Value})
		}
		for name, def := range doc.at("$defs").members() {
			s.Definitions = append(s.Definitions, definition{name, anchor(f.Name(), name), rulesOf(def), shapeOf(f.Name(), def)})
		}
		p.Schemas = append(p.Schemas, s)
	}
	return nil
}

// rulesOf reads the rules of a command, if it has any.
func rulesOf(def node) *rules {
	if !def.has("x-given") {
		return nil
	}
	r := &rules{Guards: def.at("x-guards").words(), Makes: def.at("x-makes").words(), Stale: def.at("x-stale").words()}
	for who, phases := range def.at("x-given").members() {
		r.Given = append(r.Given, given{who, phases.words()})
	}
	return r
}

func guardAnchor(name string) string { return "guard-" + name }

// examples of a media type: one, or several by name.
func examples(media node) (all []string) {
	if media.has("example") {
		all = append(all, media.at("example").json())
	}
	for _, e := range media.at("examples").members() {
		all = append(all, e.at("value").json())
	}
	return all
}

// plain is text between tags, where quotation marks, of which examples are full, need not be written otherwise.
func plain(text string) template.HTML {
	return template.HTML(strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;").Replace(text))
}
