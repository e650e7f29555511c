package outbox

import (
	"crypto/aes"
	"crypto/cipher"
	"crypto/ecdh"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/hkdf"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"time"
)

// What web push wants of cryptography, by its standards and on nothing but the
// language's own library: RFC 8291 (a message that only the browser can read)
// over RFC 8188 (aes128gcm), and RFC 8292 (who sends it).

// pushRecord is RFC 8291's record size; a message is one record.
const pushRecord = 4096

// mostPush is how much fits into one, and still into what every push service
// must take: 4096 bytes, less the header, the end mark and the tag.
const mostPush = pushRecord - 86 - 1 - 16

// webText is the base64 of the web's key material.
var webText = base64.RawURLEncoding

// sealPush encrypts a message for a browser: to its public key, under the secret
// that it shared. A fresh key and salt are made for each message.
func sealPush(message, to, secret []byte) ([]byte, error) {
	own, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		return nil, err
	}
	salt := make([]byte, 16)
	if _, err := rand.Read(salt); err != nil {
		return nil, err
	}
	return sealPushWith(message, to, secret, own, salt)
}

func sealPushWith(message, to, secret []byte, own *ecdh.PrivateKey, salt []byte) ([]byte, error) {
	if len(message) > mostPush {
		return nil, fmt.Errorf("the message has %d bytes, a push takes %d", len(message), mostPush)
	}
	theirs, err := ecdh.P256().NewPublicKey(to)
	if err != nil {
		return nil, fmt.Errorf("the browser's key: %w", err)
	}
	seal, err := pushCipher(own, theirs, theirs.Bytes(), own.PublicKey().Bytes(), secret, salt)
	if err != nil {
		return nil, err
	}
	body := append([]byte{}, salt...) // RFC 8188, section 2.1: salt, record size, key id
	body = binary.BigEndian.AppendUint32(body, pushRecord)
	body = append(body, byte(len(own.PublicKey().Bytes())))
	body = append(body, own.PublicKey().Bytes()...)
	plain := append(append([]byte{}, message...), 2) // section 2: the last record ends with a two
	return seal.aead.Seal(body, seal.nonce, plain, nil), nil
}

type pushSeal struct {
	aead  cipher.AEAD
	nonce []byte
}

// pushCipher derives the key of one message (RFC 8291, section 3.4).
func pushCipher(private *ecdh.PrivateKey, public *ecdh.PublicKey, browser, sender, secret, salt []byte) (s pushSeal, err error) {
	shared, err := private.ECDH(public)
	if err != nil {
		return s, err
	}
	ikm, err := hkdf.Key(sha256.New, shared, secret, "WebPush: info\x00"+string(browser)+string(sender), 32)
	if err != nil {
		return s, err
	}
	key, err := hkdf.Key(sha256.New, ikm, salt, "Content-Encoding: aes128gcm\x00", 16)
	if err != nil {
		return s, err
	}
	if s.nonce, err = hkdf.Key(sha256.New, ikm, salt, "Content-Encoding: nonce\x00", 12); err != nil {
		return s, err
	}
	block, err := aes.NewCipher(key)
	if err != nil {
		return s, err
	}
	s.aead, err = cipher.NewGCM(block)
	return s, err
}

// vapid is the box's own name to push services (RFC 8292): made once, kept for
// good, since every subscription is bound to it.
type vapid struct {
	Private string // a P-256 scalar, 32 bytes
	Public  string // the point, uncompressed
}

func makeVapid() (vapid, error) {
	key, err := ecdh.P256().GenerateKey(rand.Reader)
	if err != nil {
		return vapid{}, err
	}
	return vapid{webText.EncodeToString(key.Bytes()), webText.EncodeToString(key.PublicKey().Bytes())}, nil
}

// authorise returns the header by which the box names itself to one push
// service. now is that service's time: a box's own may be years off. contact is
// a mail address or an https address; empty: none is told.
func (v vapid) authorise(endpoint, contact string, now time.Time) (string, error) {
	key, err := v.key()
	if err != nil {
		return "", err
	}
	u, err := url.Parse(endpoint)
	if err != nil {
		return "", errors.New("the browser's address for pushes is none") // it is a secret
	}
	claims := map[string]any{"aud": u.Scheme + "://" + u.Host, "exp": now.Add(12 * time.Hour).Unix()} // at most 24 h (section 2)
	if contact != "" {
		claims["sub"] = contact
	}
	body, err := json.Marshal(claims)
	if err != nil {
		return "", err
	}
	signed := webText.EncodeToString([]byte(`{"typ":"JWT","alg":"ES256"}`)) + "." + webText.EncodeToString(body)
	sum := sha256.Sum256([]byte(signed))
	r, s, err := ecdsa.Sign(rand.Reader, key, sum[:])
	if err != nil {
		return "", err
	}
	signature := append(r.FillBytes(make([]byte, 32)), s.FillBytes(make([]byte, 32))...) // RFC 7518, section 3.4
	return "vapid t=" + signed + "." + webText.EncodeToString(signature) + ", k=" + v.Public, nil
}

func (v vapid) key() (*ecdsa.PrivateKey, error) {
	private, err := webText.DecodeString(v.Private)
	if err != nil {
		return nil, fmt.Errorf("the box's key for pushes: %w", err)
	}
	return ecdsa.ParseRawPrivateKey(elliptic.P256(), private)
}
