// Package token issues and checks access tokens: JSON Web Tokens (RFC 7519) signed with Ed25519 (RFC 8037), which say
// who a client has signed in as, in which session, and until when. What that member may do is not in the token: it is
// looked up at every command. Nor is whether the session goes on: package account knows that.
//
// A token is accepted in one form only, the one that Issue writes (RFC 8725): algorithm EdDSA, our own type, a key id of
// our set and no other header, our issuer and audience, all of our claims, and one base64url spelling. So a token has
// one text, and a token of any other kind, even one signed by the same key, is not an access token.
//
// The set of keys may be exchanged while it is used. Each key says from when it signs, so that a new one can be with every
// node before the first token of its.
//
// Tokens may be used from many goroutines.
package token

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/golang-jwt/jwt/v5"

	"readback/internal/fault"
	"readback/internal/stream"
	"readback/internal/wire"
)

// Type is the typ header: RFC 8725, section 3.11, asks for one that nothing else uses.
const Type = "readback-access+jwt"

// Leeway is how far apart the clocks of two nodes may be.
const Leeway = 2 * time.Second

// ErrExpired is the cause of a refusal where nothing but the time is wrong with a token.
var ErrExpired = errors.New("token: expired")

// Config says whose tokens are issued and taken.
type Config struct {
	Issuer   string        // iss: this installation
	Audience string        // aud: what the token is for
	Keys     []Key         // all check; of those that may sign already the latest does
	Lasts    time.Duration // how long a new token is good for
	Now      func() time.Time
	Unknown  func() // called where a token names a key that is not in the set, which is then looked at again; may be nil
}

// Key is a key of the set. It signs from an instant on, until a later one does; it checks at any time.
type Key struct {
	Private ed25519.PrivateKey
	From    time.Time
}

// Access is what a token says.
type Access struct {
	ID          string // jti: this token
	Member, Org stream.ID
	Session     stream.ID // sid: the sign-in it belongs to
	Expires     time.Time
}

// Person is who signed in.
func (a Access) Person() stream.Person { return stream.Person{Org: a.Org, Member: a.Member} }

// Tokens issues and checks.
type Tokens struct {
	c      Config
	keys   atomic.Pointer[set]
	parser *jwt.Parser
}

// set is never changed.
type set struct {
	sign  []signer                     // latest first
	check map[string]ed25519.PublicKey // by key id
}

type signer struct {
	Key
	kid string
}

// at is who signs at an instant. Where all are yet to come, as by a clock that is behind, the earliest does.
func (s *set) at(now time.Time) signer {
	for _, k := range s.sign {
		if !k.From.After(now) {
			return k
		}
	}
	return s.sign[len(s.sign)-1]
}

type claims struct {
	jwt.RegisteredClaims
	Org     string `json:"org"`
	Session string `json:"sid"`
}

// New checks the configuration.
func New(c Config) (*Tokens, error) {
	switch {
	case c.Issuer == "" || c.Audience == "":
		return nil, errors.New("token: issuer and audience are both needed")
	case c.Lasts < time.Second:
		return nil, errors.New("token: a token must last a second or longer")
	case c.Now == nil:
		return nil, errors.New("token: no clock")
	}
	t := &Tokens{c: c}
	if err := t.Use(c.Keys); err != nil {
		return nil, err
	}
	t.parser = jwt.NewParser(
		jwt.WithValidMethods([]string{jwt.SigningMethodEdDSA.Alg()}), jwt.WithStrictDecoding(),
		jwt.WithIssuer(c.Issuer), jwt.WithAudience(c.Audience),
		jwt.WithExpirationRequired(), jwt.WithNotBeforeRequired(), jwt.WithIssuedAt(),
		jwt.WithLeeway(Leeway), jwt.WithTimeFunc(c.Now),
	)
	return t, nil
}

// Use exchanges the set of keys. Tokens signed by a key that is not in it are refused from now on.
func (t *Tokens) Use(keys []Key) error {
	s := &set{check: map[string]ed25519.PublicKey{}}
	for i, k := range keys {
		if len(k.Private) != ed25519.PrivateKeySize {
			return fmt.Errorf("token: key %d is not an Ed25519 private key", i)
		}
		public := k.Private.Public().(ed25519.PublicKey)
		s.sign = append(s.sign, signer{k, KeyID(public)})
		s.check[KeyID(public)] = public
	}
	if len(s.sign) == 0 {
		return errors.New("token: no key")
	}
	slices.SortStableFunc(s.sign, func(a, b signer) int { return b.From.Compare(a.From) })
	t.keys.Store(s)
	return nil
}

// KeyID is the JWK thumbprint of a key (RFC 7638, RFC 8037 section 2): every node gives a key the same id.
func KeyID(key ed25519.PublicKey) string {
	x := base64.RawURLEncoding.EncodeToString(key)
	sum := sha256.Sum256([]byte(`{"crv":"Ed25519","kty":"OKP","x":"` + x + `"}`))
	return base64.RawURLEncoding.EncodeToString(sum[:])
}

// Issue makes a token of a session.
func (t *Tokens) Issue(org, member, session stream.ID) (string, Access, error) {
	now := t.c.Now().UTC().Truncate(time.Second) // what a numeric date holds
	a := Access{ID: stream.NewID().String(), Member: member, Org: org, Session: session, Expires: now.Add(t.c.Lasts).Truncate(time.Second)}
	j := jwt.NewWithClaims(jwt.SigningMethodEdDSA, claims{
		RegisteredClaims: jwt.RegisteredClaims{
			Issuer: t.c.Issuer, Audience: jwt.ClaimStrings{t.c.Audience},
			Subject: member.String(), ID: a.ID,
			IssuedAt: jwt.NewNumericDate(now), NotBefore: jwt.NewNumericDate(now), ExpiresAt: jwt.NewNumericDate(a.Expires),
		},
		Org: org.String(), Session: session.String(),
	})
	j.Header["typ"] = Type
	signs := t.keys.Load().at(now)
	j.Header["kid"] = signs.kid
	text, err := j.SignedString(signs.Private)
	if err != nil {
		return "", Access{}, fmt.Errorf("sign access token: %w", err)
	}
	return text, a, nil
}

// Check reads a token, or refuses it with a sign-in-needed fault whose cause is ErrExpired where only the time is wrong.
func (t *Tokens) Check(text string) (Access, error) {
	if len(text) > wire.MaxToken {
		return Access{}, refuse(errors.New("longer than a token can be"))
	}
	if strings.ContainsAny(text, "\r\n") { // the strict base64 decoder still skips them
		return Access{}, refuse(errors.New("a line break"))
	}
	var c claims
	j, err := t.parser.ParseWithClaims(text, &c, t.key)
	if err != nil {
		return Access{}, refuse(err)
	}
	a := Access{ID: c.ID, Expires: c.ExpiresAt.UTC()}
	var jti stream.ID
	for _, each := range []struct {
		to   *stream.ID
		name string
		text string
	}{{&a.Member, "sub", c.Subject}, {&a.Org, "org", c.Org}, {&a.Session, "sid", c.Session}, {&jti, "jti", c.ID}} {
		if *each.to, err = stream.ParseID(each.name, each.text); err != nil {
			return Access{}, refuse(err)
		}
	}
	if !j.Valid || c.IssuedAt == nil {
		return Access{}, refuse(errors.New("without the time of issue"))
	}
	return a, nil
}

// key picks the key that the header names, after the header has been found to be one of ours: a header we do not write
// might change what the rest means (RFC 7515, section 4.1.11).
func (t *Tokens) key(j *jwt.Token) (any, error) {
	if j.Header["typ"] != Type {
		return nil, errors.New("of another type")
	}
	kid, _ := j.Header["kid"].(string)
	key, ok := t.keys.Load().check[kid]
	if !ok && t.c.Unknown != nil {
		t.c.Unknown()
		key, ok = t.keys.Load().check[kid]
	}
	if !ok {
		return nil, errors.New("signed by a key that is not ours")
	}
	if len(j.Header) != 3 {
		return nil, errors.New("a header that access tokens do not have")
	}
	return key, nil
}

func refuse(cause error) error {
	f := fault.New(fault.SignInNeeded, "The access token is not valid. Sign in.")
	if errors.Is(cause, jwt.ErrTokenExpired) && !otherwiseWrong(cause) {
		f, cause = fault.New(fault.SignInNeeded, "The access token ran out. Sign in again."), fmt.Errorf("%w: %w", ErrExpired, cause)
	}
	return f.Because(cause)
}

// otherwiseWrong reports whether the claims have a fault besides their age.
func otherwiseWrong(err error) bool {
	for _, other := range []error{jwt.ErrTokenRequiredClaimMissing, jwt.ErrTokenInvalidAudience, jwt.ErrTokenInvalidIssuer,
		jwt.ErrTokenNotValidYet, jwt.ErrTokenUsedBeforeIssued} {
		if errors.Is(err, other) {
			return true
		}
	}
	return false
}
