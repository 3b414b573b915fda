// Package webui serves the screens: Bay for the technician, with a page for each car, Desk for the specialist, and the pages
// to sign in, to set a password by a link, to see where one is signed in, the owners' rooms
// (people, equipment, work, webhooks), and the records of what was done. A page is a shell of HTML; what it shows comes through the published interfaces, like any other client's,
// by ES modules that the browser loads as they stand here. There is no build step and nothing is loaded from elsewhere.
// What is not needed at once is a module of its own, loaded when it is first needed or once the screen stands, so that a
// link that goes then takes none of it away.
//
// Invariants. No page holds data of anybody, so any may be shown to who is not signed in. Nothing inline: the content
// security policy allows scripts, styles, fonts and connections of this server alone. Assets have the hash of all of them
// in their address, so that a browser may keep them for ever and never mixes two releases.
package webui

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"fmt"
	"html/template"
	"io/fs"
	"maps"
	"net/http"
	"path"
	"regexp"
	"strings"
	"sync"
)

//go:embed assets pages
var files embed.FS

// policy is the content security policy of every page. Trusted types: no script may make HTML of text.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; font-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'"

// page is one screen: its shell and the module that fills it.
type page struct {
	shell  string // file in pages
	title  string
	module string // file in assets
}

// screens are the pages by the pattern of their address.
var screens = map[string]page{
	"GET /sign-in":              {"signin.html", "Sign in", "signin.js"},
	"GET /join":                 {"join.html", "Your password", "join.js"},
	"GET /account":              {"account.html", "Your account", "account.js"},
	"GET /people":               {"room.html", "People", "people.js"},
	"GET /equipment":            {"room.html", "Equipment", "equipment.js"},
	"GET /work":                 {"room.html", "Work", "work.js"},
	"GET /webhooks":             {"room.html", "Webhooks", "webhooks.js"},
	"GET /records":              {"room.html", "Records", "records.js"},
	"GET /record/{calibration}": {"record.html", "Record", "recordpage.js"},
	"GET /bay":                  {"list.html", "Bay", "baylist.js"},
	"GET /bay/jobs/{job}":       {"list.html", "Car", "jobpage.js"},
	"GET /bay/{calibration}":    {"bay.html", "Bay", "bay.js"},
	"GET /desk":                 {"desk.html", "Desk", "desk.js"},
	"GET /desk/{calibration}":   {"desk.html", "Desk", "desk.js"},
}

// asset is a file as it is sent.
type asset struct {
	media string
	plain []byte
	small []byte // gzip; nil where that saves nothing
}

// Routes gives the handlers of all pages and assets by pattern. They answer GET and HEAD.
func Routes() map[string]http.Handler { return maps.Clone(routes()) }

// routes is made once in a process: packing takes time, and what is packed never changes.
var routes = sync.OnceValue(func() map[string]http.Handler {
	assets, hash := load()
	routes := map[string]http.Handler{"GET /assets/{hash}/{file...}": serveAssets(assets, hash)}
	for pattern, p := range screens {
		routes[pattern] = p.handler("/assets/"+hash, preloads(assets, p.module))
	}
	return routes
})

// load reads and packs the assets, and hashes their names and contents. What is embedded is there: anything else is a
// mistake of ours.
func load() (map[string]asset, string) {
	assets := map[string]asset{}
	sum := sha256.New()
	err := fs.WalkDir(files, "assets", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		raw, err := files.ReadFile(name)
		if err != nil {
			return err
		}
		fmt.Fprintf(sum, "%s %d\n%s", name, len(raw), raw)
		if path.Ext(name) == ".js" {
			raw = lean(raw)
		}
		assets[strings.TrimPrefix(name, "assets/")] = asset{media: media(name), plain: raw, small: pack(name, raw)}
		return nil
	})
	if err != nil {
		panic(fmt.Sprintf("webui: %v", err))
	}
	return assets, hex.EncodeToString(sum.Sum(nil)[:10])
}

// typed is a type in the middle of a line of a module: for who reads it here and for the checker.
var typed = regexp.MustCompile(`/\*\* @[^*]*\*/ ?`)

// lean leaves out of a module what only its readers here need: comments that stand on lines of their own, types, and
// indentation. Lines keep their numbers. A module must not have a text that goes over several lines, or looks like a type.
func lean(source []byte) []byte {
	var out bytes.Buffer
	inside := false
	for line := range bytes.Lines(source) {
		line = bytes.TrimSpace(line)
		closes := bytes.Index(line, []byte("*/"))
		opens := bytes.HasPrefix(line, []byte("/*")) && (closes < 0 || closes == len(line)-2) // else code follows
		if !inside && !opens && !bytes.HasPrefix(line, []byte("//")) {
			out.Write(typed.ReplaceAll(line, nil))
		}
		if inside || opens {
			inside = closes < 0
		}
		out.WriteByte('\n')
	}
	return out.Bytes()
}

// media is fixed here: the types that the system knows differ from machine to machine.
func media(name string) string {
	switch path.Ext(name) {
	case ".js":
		return "text/javascript; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".svg":
		return "image/svg+xml"
	case ".woff2":
		return "font/woff2"
	}
	return "text/plain; charset=utf-8"
}

func pack(name string, raw []byte) []byte {
	if path.Ext(name) == ".woff2" { // packed already
		return nil
	}
	var b bytes.Buffer
	w, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err == nil {
		w.Write(raw) // into memory
		w.Close()
	}
	if err != nil || b.Len() >= len(raw) {
		return nil
	}
	return b.Bytes()
}

// preloads lists the modules that a module imports, directly or not, so that the browser asks for all of them at once.
func preloads(assets map[string]asset, module string) []string {
	var all []string
	seen := map[string]bool{module: true}
	for todo := []string{module}; len(todo) > 0; todo = todo[1:] {
		for _, name := range imports(assets[todo[0]].plain) {
			if _, there := assets[name]; there && !seen[name] {
				seen[name] = true
				all, todo = append(all, name), append(todo, name)
			}
		}
	}
	return all
}

// imports finds the modules named in lines such as: import { h } from "./dom.js";
func imports(source []byte) []string {
	var names []string
	for line := range strings.Lines(string(source)) {
		if !strings.HasPrefix(line, "import ") {
			continue
		}
		if _, rest, ok := strings.Cut(line, `"./`); ok {
			name, _, _ := strings.Cut(rest, `"`)
			names = append(names, name)
		}
	}
	return names
}

func serveAssets(assets map[string]asset, hash string) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		a, there := assets[r.PathValue("file")]
		if !there || r.PathValue("hash") != hash {
			http.Error(w, "There is no such file in this release.", http.StatusNotFound)
			return
		}
		head := w.Header()
		head.Set("Content-Type", a.media)
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("Cache-Control", "public, max-age=31536000, immutable")
		send(w, r, a.plain, a.small)
	})
}

// send writes a body, packed if there is a packed one and the browser takes it.
func send(w http.ResponseWriter, r *http.Request, body, small []byte) {
	head := w.Header()
	head.Set("Vary", "Accept-Encoding")
	if small != nil && strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		head.Set("Content-Encoding", "gzip")
		body = small
	}
	head.Set("Content-Length", fmt.Sprint(len(body)))
	w.Write(body) // the browser may have gone
}

func (p page) handler(base string, preload []string) http.Handler {
	shell := template.Must(template.ParseFS(files, "pages/frame.html", "pages/"+p.shell))
	var b bytes.Buffer
	if err := shell.ExecuteTemplate(&b, "frame.html", map[string]any{
		"Title": p.title, "Base": base, "Module": p.module, "Preload": preload,
	}); err != nil {
		panic(fmt.Sprintf("webui: %s: %v", p.shell, err)) // nothing in it depends on a request
	}
	plain, small := b.Bytes(), pack(p.shell, b.Bytes())
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head := w.Header()
		head.Set("Content-Type", "text/html; charset=utf-8")
		head.Set("Content-Security-Policy", policy)
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("Referrer-Policy", "no-referrer")
		head.Set("Cross-Origin-Opener-Policy", "same-origin")
		head.Set("Cache-Control", "no-cache")
		send(w, r, plain, small)
	})
}
