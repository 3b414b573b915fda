// Package api holds the published descriptions of the interfaces and embeds them: OpenAPI for HTTP, AsyncAPI for the
// websocket, and the JSON Schemas (2020-12) that both refer to. They are written by hand; tests beside the code that they
// describe hold routes, messages, problems, close codes and commands to them, in both directions.
//
// References between the files are relative, and the server serves the files in the same places to each other.
package api

import "embed"

//go:embed openapi.yaml asyncapi.yaml schema/*.json
var files embed.FS

// Files has openapi.yaml, asyncapi.yaml and the folder schema.
func Files() embed.FS { return files }
