package live

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"readback/internal/access"
	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/trail"
)

// repeated says that a command has had its answer, by the entry seq.
type repeated struct{ seq uint64 }

func (r *repeated) Error() string { return fmt.Sprintf("already answered by entry %d", r.seq) }

// draft works out what to append for the command in the line's present state.
func (l *line) draft(ctx context.Context, c *command) (Append, stream.Entry, error) {
	fail := func(err error) (Append, stream.Entry, error) { return Append{}, stream.Entry{}, err }
	if err := l.visible(ctx, c); err != nil {
		return fail(err)
	}
	cmd := c.plain
	if l.fold.Seq > 0 {
		// The key first: without it a command sent again cannot be told from a new one.
		if err := l.useKey(ctx, c, cmd); err != nil {
			return fail(err)
		}
		if seen, ok := l.fold.Seen[cmd.ID]; ok {
			if trail.SameMAC(seen.MAC, c.mac) {
				return fail(&repeated{seen.Seq})
			}
			return fail(fault.New(fault.IDReused, "This id belongs to another command. Give the new command an id of its own.",
				fault.Field{Name: "id", Want: "an id that was not used before"}))
		}
	}
	if err := l.admit(c); err != nil {
		return fail(err)
	}
	cmd.Data = c.admitted
	if l.fold.Seq == 0 {
		if err := l.useKey(ctx, c, cmd); err != nil {
			return fail(err)
		}
	}
	if err := l.room(cmd); err != nil {
		return fail(err)
	}
	if err := l.fold.CheckBase(cmd); err != nil {
		return fail(err)
	}
	if c.sealed == nil {
		var err error
		if c.sealed, err = l.hub.sealData(l.ref.ID, c.key, c.admitted, c.seal); err != nil {
			return fail(err)
		}
		if c.sealed, err = l.added(ctx, cmd.Type, c.sealed); err != nil {
			return fail(err)
		}
	}
	cmd.Data = c.sealed

	needs, err := l.rules.Needs(l.fold.State, c.actor, cmd)
	if err != nil {
		return fail(err)
	}
	from := l.fold.Seq
	facts, err := l.facts(ctx, needs, c.key)
	if err != nil {
		return fail(err)
	}
	if l.fold.Seq != from {
		return Append{}, stream.Entry{}, nil // the caller starts again
	}
	now := l.hub.clock.now()
	if l.fold.At.Sub(now) > mostOffset && !l.hub.Urgent(cmd.Type) {
		return fail(fault.New(fault.NotReady, "The clock was set back: it is "+l.fold.At.Sub(now).Round(time.Second).String()+
			" behind the last entry here, so that no time limit can be judged. Try again once it has caught up."))
	}
	e, d, err := l.fold.Draft(c.actor, cmd, c.mac, needs, facts, trail.Moment(now))
	if err == nil {
		err = l.photoThere(ctx, cmd)
	}
	if err != nil {
		return fail(err)
	}
	if e.Seq == 1 {
		e.Opens = &stream.Opens{Rules: stream.RulesVersion}
		if c.made != nil {
			id, commitment := c.key.ID(), c.key.Commitment()
			e.Opens.Key, e.Opens.Commitment = &id, &commitment
		}
	}
	r, err := trail.Encode(e)
	if err != nil {
		return fail(err)
	}
	// From here on the entry is what was encoded, as everyone who reads it later has it. What cannot be folded must not
	// be written.
	if e, err = trail.Decode(r); err != nil {
		return fail(fmt.Errorf("read back what was encoded: %w", err))
	}
	next, err := l.rules.Apply(l.fold.State, e)
	if err != nil {
		return fail(fmt.Errorf("apply %s of %s before writing it: %w", e.Type, l.ref, err))
	}
	a := Append{Record: r, Summary: l.rules.Summary(next), NewKey: c.made, Runs: d.Runs, Ends: d.Ends, Sealed: c.key.ID()}
	if l.hub.cfg.Clues != nil {
		cmd.Data = c.admitted // before it was sealed
		for _, value := range l.hub.cfg.Clues(l.ref.Kind, cmd) {
			a.Clues = append(a.Clues, l.hub.cfg.Keys.Clue(value))
		}
	}
	return a, e, nil
}

// added is the data with what the server knows beside it.
func (l *line) added(ctx context.Context, typ string, data json.RawMessage) (json.RawMessage, error) {
	add := l.hub.cfg.Adds[typ]
	if add == nil || l.fold.Seq == 0 {
		return data, nil
	}
	key, value := add(ctx, l.fold.State, data)
	if key == "" {
		return data, nil
	}
	var all map[string]json.RawMessage
	err := json.Unmarshal(data, &all)
	if err == nil {
		all[key], err = json.Marshal(value)
	}
	if err == nil {
		data, err = json.Marshal(all)
	}
	if err != nil {
		return nil, fmt.Errorf("add %s to %s: %w", key, typ, err)
	}
	return data, nil
}

// room refuses a command to a stream that is full. What stops the work is always taken, and a register, which lasts as long
// as its organisation and must be able to retire a member, has no end.
func (l *line) room(cmd stream.Command) error {
	cfg := &l.hub.cfg
	if l.ref.Kind == stream.Register || cfg.Urgent[cmd.Type] || (l.fold.Seq < uint64(cfg.MostEntries) && l.bytes < cfg.MostBytes) {
		return nil
	}
	return fault.New(fault.TooLarge, fmt.Sprintf("This %s is full: it holds at most %d entries and %d bytes. End it and begin another.",
		l.ref.Kind, cfg.MostEntries, cfg.MostBytes))
}

// visible refuses whoever must not know of the stream, and commands to one that is not there yet. Who may not open a
// stream at all is told so whether or not there is one, and so does not learn which.
func (l *line) visible(ctx context.Context, c *command) error {
	opening := c.plain.Type == l.hub.cfg.Opening[l.ref.Kind]
	if opening {
		if err := access.Check(c.actor, stream.Own, l.ref.Kind, access.Open); err != nil {
			return err
		}
	}
	if l.fold.Seq == 0 {
		if !opening {
			return access.NotHere()
		}
		return nil
	}
	relation, err := l.hub.relation(ctx, l.fold, c.actor)
	if err != nil {
		return err
	}
	return access.Check(c.actor, relation, l.ref.Kind, access.Command)
}

// admit checks the data, once.
func (l *line) admit(c *command) error {
	if c.admitted == nil && c.refused == nil {
		c.admitted, c.seal, c.refused = l.rules.Admit(c.plain)
	}
	return c.refused
}
