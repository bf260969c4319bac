package opcua

import (
	"bytes"
	"context"
	"crypto/rand"
	"crypto/rsa"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"github.com/gopcua/opcua/ua"

	"lapgate/gateway/link/opcua/channel"
)

// nonceLength is what the policies want at least, in bytes.
const nonceLength = 32

// sessionError is a refusal of the session.
type sessionError struct {
	step string
	err  error
}

func (e *sessionError) Error() string { return e.step + ": " + e.err.Error() }
func (e *sessionError) Unwrap() error { return e.err }

// login opens a session on the channel for the user of the settings. The
// server must prove that it has the key of the certificate that was checked.
func (c *connection) login(ctx context.Context, server *serverEndpoint) error {
	s, own := &c.dialer.settings, c.own
	nonce := make([]byte, nonceLength)
	if _, err := rand.Read(nonce); err != nil {
		return err
	}
	application := &ua.ApplicationDescription{
		ApplicationURI:  "urn:lapgate",
		ProductURI:      "urn:lapgate",
		ApplicationName: ua.NewLocalizedText("lapgate"),
		ApplicationType: ua.ApplicationTypeClient,
	}
	request := &ua.CreateSessionRequest{
		ClientDescription:       application,
		EndpointURL:             s.Endpoint,
		SessionName:             "lapgate " + s.Line,
		ClientNonce:             nonce,
		RequestedSessionTimeout: float64(sessionTimeout.Milliseconds()),
		MaxResponseMessageSize:  channel.MaxMessage,
	}
	if own != nil {
		application.ApplicationURI = own.uri()
		request.ClientCertificate = own.cert.Raw
	}
	answer, err := c.channel.Call(ctx, request)
	if err != nil {
		return &sessionError{"opening a session", err}
	}
	created, ok := answer.(*ua.CreateSessionResponse)
	if !ok || created.AuthenticationToken == nil {
		return fmt.Errorf("opening a session: answer is a %T, want a session", answer)
	}
	if s.Policy != PolicyNone {
		if err := c.prove(server, created, nonce); err != nil {
			return fmt.Errorf("opening a session: %w", err)
		}
	}
	activate, err := c.credentials(server, created.ServerNonce)
	if err != nil {
		return err
	}
	c.channel.SetSession(created.AuthenticationToken)
	if _, err := c.channel.Call(ctx, activate); err != nil {
		return &sessionError{"logging in (" + describe(s.User.kind()) + ")", err}
	}
	return nil
}

// prove checks the server's signature with the certificate that was checked
// before, and that the nonce of the server, which our own signature will cover,
// is long enough.
func (c *connection) prove(server *serverEndpoint, created *ua.CreateSessionResponse, nonce []byte) error {
	if shown, err := leaf(created.ServerCertificate); err != nil || !bytes.Equal(shown.Raw, server.leaf.Raw) {
		return errors.New("the server shows another certificate than the one that was checked; somebody may stand between")
	}
	if created.ServerSignature == nil {
		return errors.New("the server proves nothing: the answer has no signature")
	}
	if n := len(created.ServerNonce); n < nonceLength {
		return fmt.Errorf("the server gives a nonce of %d bytes, want %d at least", n, nonceLength)
	}
	own := c.own
	a, err := channel.Algorithm(c.dialer.settings.Policy.uri(), own.key, server.leaf.Raw)
	if err != nil {
		return err
	}
	if err := a.VerifySignature(slices.Concat(own.cert.Raw, nonce), created.ServerSignature.Signature); err != nil {
		return fmt.Errorf("the server's signature is wrong, it has not the key of its certificate: %w", err)
	}
	return nil
}

// credentials makes the login. The kind of user is the one configured: there
// is no falling back to anonymous.
func (c *connection) credentials(server *serverEndpoint, nonce []byte) (*ua.ActivateSessionRequest, error) {
	s := &c.dialer.settings
	request := &ua.ActivateSessionRequest{
		ClientSignature:    &ua.SignatureData{},
		LocaleIDs:          []string{"en"},
		UserTokenSignature: &ua.SignatureData{},
	}
	policy := server.login
	userPolicy := policy.SecurityPolicyURI
	if userPolicy == "" {
		userPolicy = s.Policy.uri()
	}
	if s.Policy != PolicyNone {
		if err := signNonce(request.ClientSignature, s.Policy.uri(), c.own.key, server, nonce); err != nil {
			return nil, err
		}
	}
	switch s.User.kind() {
	case ua.UserTokenTypeUserName:
		token := &ua.UserNameIdentityToken{PolicyID: policy.PolicyID, UserName: s.User.Name}
		if err := s.User.fill(token, userPolicy, server, nonce); err != nil {
			return nil, err
		}
		request.UserIdentityToken = ua.NewExtensionObject(token)
	case ua.UserTokenTypeCertificate:
		token := &ua.X509IdentityToken{PolicyID: policy.PolicyID, CertificateData: s.User.Certificate}
		if err := signNonce(request.UserTokenSignature, userPolicy, s.User.Key, server, nonce); err != nil {
			return nil, fmt.Errorf("for the user: %w", err)
		}
		request.UserIdentityToken = ua.NewExtensionObject(token)
	default:
		request.UserIdentityToken = ua.NewExtensionObject(&ua.AnonymousIdentityToken{PolicyID: policy.PolicyID})
	}
	return request, nil
}

// signNonce proves that we have a key, by a signature over the certificate and
// the nonce of the server.
func signNonce(to *ua.SignatureData, policy string, key *rsa.PrivateKey, server *serverEndpoint, nonce []byte) error {
	a, err := channel.Algorithm(policy, key, server.leaf.Raw)
	if err != nil {
		return fmt.Errorf("signing: %w", err)
	}
	if to.Signature, err = a.Signature(slices.Concat(server.leaf.Raw, nonce)); err != nil {
		return fmt.Errorf("signing: %w", err)
	}
	to.Algorithm = a.SignatureURI()
	return nil
}

// fill sets the password, encrypted for the server together with its nonce: the
// length of both, the password, the nonce (OPC 10000-4 section 7.40.2.2). Without
// a policy the password is in clear, but only inside an encrypted channel; see
// chooseLogin.
func (u *User) fill(token *ua.UserNameIdentityToken, policy string, server *serverEndpoint, nonce []byte) error {
	if policy == ua.SecurityPolicyURINone {
		token.Password = []byte(u.Password)
		return nil
	}
	a, err := channel.Algorithm(policy, nil, server.leaf.Raw)
	if err != nil {
		return fmt.Errorf("encrypting the password: %w", err)
	}
	secret := binary.LittleEndian.AppendUint32(nil, uint32(len(u.Password)+len(nonce)))
	secret = append(append(secret, u.Password...), nonce...)
	if token.Password, err = a.Encrypt(secret); err != nil {
		return fmt.Errorf("encrypting the password: %w", err)
	}
	token.EncryptionAlgorithm = a.EncryptionURI()
	return nil
}
