package cli

import (
	"context"
	"encoding/json"
	"io"
	"net/netip"
	"net/url"
	"os"
	"strings"
	"time"

	"readback/api/client"
)

// maxToken is the largest token file read, in bytes.
const maxToken = 1 << 10

var announceCommand = command{
	name:  "announce",
	args:  "VIN",
	short: "announce a car, for vehicle interfaces",
	long: "Tells a server which car a vehicle interface is in, with the interface's own token, which an owner had made.\n" +
		"A job of the shop that a person tied to the interface, or that goes by this VIN, is told so; otherwise one is\n" +
		"opened, which waits in the shop's list. Prints one JSON object: the job, the number of the entry, and whether\n" +
		"the same had been announced before. It tries for as long as --for says. After that, run it again with the same\n" +
		"--id: it is the same announcement. The exit status is 1 if it was refused and 3 if nobody answered.",
	example: "readback announce --url https://bay.example --token-file interface.token ZZZDEM0A4CR000017",
	setup: func(c *call) func(context.Context, []string) error {
		at := c.flags.String("url", "", "`URL` of the server: https, or http on this machine")
		file := c.flags.String("token-file", "", "`FILE` with the interface's token; - is standard input")
		plate := c.flags.String("plate", "", "the car's `PLATE`, if it is known")
		mileage := c.flags.Int64("mileage-km", -1, "what the car has run, in `KM`, if it is known")
		id := c.flags.String("id", "", "`UUID` of the announcement; made up if there is none")
		lasts := c.flags.Duration("for", 30*time.Second, "how `LONG` to try")
		return func(ctx context.Context, args []string) error {
			if len(args) != 1 {
				return errUsage{"name one VIN"}
			}
			if err := guarded(*at); err != nil {
				return err
			}
			token, err := c.token(*file)
			if err != nil {
				return err
			}
			cl, err := client.New(client.Config{URL: *at, Name: "readback-announce/" + Version})
			if err != nil {
				return errUsage{err.Error()}
			}
			defer cl.Close()
			a := client.Announcement{ID: *id, VIN: args[0], Plate: *plate}
			if *mileage >= 0 {
				a.MileageKM = mileage
			}
			ctx, stop := context.WithTimeout(ctx, *lasts)
			defer stop()
			got, err := cl.Announce(ctx, token, a)
			if err != nil {
				return err
			}
			return json.NewEncoder(c.Out).Encode(got)
		}
	},
}

// guarded makes sure that nobody on the way reads the token.
func guarded(at string) error {
	u, err := url.Parse(at)
	if err == nil && u.Host != "" {
		host := u.Hostname()
		ip, err := netip.ParseAddr(host)
		if u.Scheme == "https" || u.Scheme == "http" && (host == "localhost" || err == nil && ip.IsLoopback()) {
			return nil
		}
	}
	return errUsage{"--url: want https:// and a host; http:// on this machine only, as anybody on the way could read the token"}
}

// token reads a token from a file.
func (c *call) token(file string) (string, error) {
	var in io.Reader = c.In
	switch file {
	case "":
		return "", errUsage{"--token-file: name the file with the interface's token, or - for standard input"}
	case "-":
	default:
		f, err := os.Open(file)
		if err != nil {
			return "", errUsage{"--token-file: " + err.Error()}
		}
		defer f.Close()
		in = f
	}
	raw, err := io.ReadAll(io.LimitReader(in, maxToken+1))
	if err != nil {
		return "", errUsage{"--token-file: " + err.Error()}
	}
	text := strings.TrimSpace(string(raw))
	if text == "" || len(raw) > maxToken || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }) {
		return "", errUsage{"--token-file: want one token, as the server showed it"}
	}
	return text, nil
}

// refusedStatus is the exit status of a server's refusal.
func refusedStatus(p *client.Problem) int {
	switch {
	case p.Status >= 500:
		return 3
	case p.Status == 400 || p.Status == 413 || p.Status == 422:
		return 2
	}
	return 1
}
