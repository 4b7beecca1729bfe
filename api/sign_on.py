"""Sign-on with OpenID Connect: the code flow with PKCE against the provider that a company runs.

Checked here: state, nonce, PKCE, signature, issuer, audience, times. Who a person is here, and what they may do, follows from the
claims by the mapping in the settings. Sources: OpenID Connect Core 1.0, Discovery 1.0, RP-Initiated Logout 1.0; RFC 7636; RFC 9700.
"""

import json
import re
import secrets
import time
from base64 import urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final, NamedTuple, Self
from urllib.parse import quote, urlencode, urlsplit

import httpx
from authlib.oauth2.rfc6749.parameters import prepare_grant_uri
from authlib.oauth2.rfc7636 import create_s256_code_challenge
from authlib.oidc.core import CodeIDToken
from joserfc import jwt
from joserfc.errors import BadSignatureError, InvalidKeyIdError, JoseError
from joserfc.jwk import KeySet
from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator

from domain.accounts import ACCOUNT_NAME_PATTERN
from domain.errors import BoomledgerError
from store.access import Person, Role

RETURN_PATH: Final = "/sign-on/return"
SIGNED_WITH: Final = (
    "RS256",
    "RS384",
    "RS512",
    "PS256",
    "PS384",
    "PS512",
    "ES256",
    "ES384",
    "ES512",
    "EdDSA",
    "Ed25519",
)
"""Signatures by a key that only the provider has; never `none`, nor one made with a secret that we share."""
WITHIN_S: Final = 600
"""How long a person may take at the provider [s]."""
SKEW_S: Final = 60
"""How far the clocks of the provider and this server may differ [s]."""
KEPT_S: Final = 3600.0
"""How long the provider's description and keys hold [s]; a key that is not among them asks for them anew, at most so often:"""
ASKED_ANEW_S: Final = 10.0
ANSWER_S: Final = 10.0
EVERY_SITE: Final = "*"


class SignOnRefused(BoomledgerError):
    """Why a sign-on did not succeed: a code that the log-in page has a sentence for, and what the log gets."""

    def __init__(self, code: str, detail: str) -> None:
        super().__init__(detail)
        self.code = code


class SignOnSettings(BaseModel):
    """The provider, and what its claims mean here."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    issuer: str = Field(
        pattern=r"^https?://[^\s?#]+$", description="issuer of the provider, as its description names it"
    )
    client_id: str = Field(min_length=1, description="by which the provider knows this installation")
    client_secret: SecretStr | None = Field(default=None, description="absent: a public client")
    public_url: str = Field(description="address of the pages; the provider sends people back to it")
    label: str = Field(
        default="company account", min_length=1, max_length=60, description="how people call the provider"
    )
    scopes: tuple[str, ...] = ("openid", "profile", "email")
    account_claim: str = Field(default="preferred_username", description="the claim that names the account")
    role_claim: str = Field(
        default="groups", description="the claim whose values `roles` knows; dots lead into objects"
    )
    roles: dict[str, Role] = Field(
        default_factory=dict, description="role by value; of several the highest holds"
    )
    site_claim: str = Field(default="groups", description="the claim whose values `sites` knows")
    sites: dict[str, tuple[str, ...]] = Field(
        default_factory=dict, description='names of sites by value, "*" for every site; several add up'
    )

    @model_validator(mode="after")
    def _over_tls(self) -> Self:
        for name, url in (("issuer", self.issuer), ("public_url", self.public_url)):
            parts = urlsplit(url)
            if parts.scheme != "https" and parts.hostname not in ("localhost", "127.0.0.1", "::1"):
                raise ValueError(f"{name}: {url} must be https, except on this machine")
        if "openid" not in self.scopes:
            raise ValueError("the scopes must hold openid")
        return self

    @property
    def return_url(self) -> str:
        """Where the provider sends people back to; it must be entered there word for word."""
        return f"{self.public_url.rstrip('/')}/api/v1{RETURN_PATH}"


class Begun(NamedTuple):
    """A sign-on that waits for the provider. It lies in a cookie of the browser that began it, which no page can read or set."""

    state: str
    nonce: str
    code_verifier: str
    next_path: str

    def packed(self) -> str:
        """As the value of a cookie."""
        return urlsafe_b64encode(json.dumps(self).encode()).decode()

    @classmethod
    def unpacked(cls, value: str) -> "Begun":
        """Out of the cookie. Raises SignOnRefused where it is not one."""
        try:
            state, nonce, code_verifier, next_path = (
                str(part) for part in json.loads(urlsafe_b64decode(value))
            )
            return cls(state, nonce, code_verifier, next_path)
        except (ValueError, TypeError) as problem:
            raise SignOnRefused("begin_again", "the cookie of the sign-on cannot be read") from problem


class SignOn:
    """One provider, whose description and keys are kept for a while."""

    def __init__(
        self, settings: SignOnSettings, transport: Callable[[], httpx.AsyncBaseTransport] | None = None
    ) -> None:
        self.settings = settings
        self._transport = transport
        self._kept: dict[str, tuple[float, dict[str, Any]]] = {}

    async def begin(self, next_path: str) -> tuple[str, Begun]:
        """Where the browser goes to, and what it keeps until it comes back."""
        state, nonce, code_verifier = (secrets.token_urlsafe(32) for _ in range(3))
        begun = Begun(state, nonce, code_verifier, local_path(next_path))
        url = prepare_grant_uri(
            (await self._description())["authorization_endpoint"],
            self.settings.client_id,
            "code",
            self.settings.return_url,
            " ".join(self.settings.scopes),
            begun.state,
            nonce=begun.nonce,
            code_challenge=create_s256_code_challenge(begun.code_verifier),
            code_challenge_method="S256",
        )
        return url, begun

    async def finish(self, begun: Begun, query: Mapping[str, str]) -> Person:
        """Who came back. Raises SignOnRefused where anything of it is not as it was begun."""
        if not secrets.compare_digest(query.get("state", "").encode(), begun.state.encode()):
            raise SignOnRefused("begin_again", "the state is not the one that was begun with")
        provider = await self._description()
        if query.get("iss", provider["issuer"]) != provider["issuer"]:  # RFC 9207
            raise SignOnRefused("not_valid", "the answer names another issuer")
        if "code" not in query:
            raise SignOnRefused(
                "refused_there", f"the provider answered {query.get('error', 'without a code')!r:.100}"
            )
        answer = await self._exchanged(provider["token_endpoint"], query["code"], begun.code_verifier)
        claims: dict[str, Any] = dict(await self._claims(answer, begun.nonce))
        asked = (self.settings.account_claim, self.settings.role_claim, self.settings.site_claim)
        if not all(values_of(claims, name) for name in asked) and "userinfo_endpoint" in provider:
            told = await self._about(provider["userinfo_endpoint"], str(answer.get("access_token")))
            if told.get("sub") != claims["sub"]:
                raise SignOnRefused("not_valid", "the provider tells about somebody else")
            claims = {**told, **claims}
        return self._person(claims)

    async def end_url(self) -> str | None:
        """Where a browser signs out at the provider as well; None where it has no such place or is away."""
        try:
            place = (await self._description()).get("end_session_endpoint")
        except SignOnRefused:
            return None
        back = {
            "client_id": self.settings.client_id,
            "post_logout_redirect_uri": f"{self.settings.public_url.rstrip('/')}/login",
        }
        return f"{place}{'&' if '?' in place else '?'}{urlencode(back)}" if place else None

    def _client(self) -> httpx.AsyncClient:
        return httpx.AsyncClient(timeout=ANSWER_S, transport=self._transport() if self._transport else None)

    async def _exchanged(self, endpoint: str, code: str, code_verifier: str) -> dict[str, Any]:
        """What the provider gives for a code, which it takes once."""
        form = {"grant_type": "authorization_code", "code": code, "code_verifier": code_verifier}
        form |= {"redirect_uri": self.settings.return_url, "client_id": self.settings.client_id}
        secret, auth = self.settings.client_secret, None
        if secret is not None:
            del form["client_id"]  # RFC 6749, 2.3: one way of saying who asks
            auth = httpx.BasicAuth(
                quote(self.settings.client_id, safe=""), quote(secret.get_secret_value(), safe="")
            )
        try:
            async with self._client() as client:
                answer = await client.post(endpoint, data=form, auth=auth or httpx.USE_CLIENT_DEFAULT)
                told: dict[str, Any] = answer.json()
        except (httpx.HTTPError, ValueError) as problem:
            raise SignOnRefused("away", f"the provider does not answer at {endpoint}: {problem}") from problem
        if answer.is_error or not isinstance(told, dict):
            raise SignOnRefused("begin_again", f"the provider does not take the code: {answer.text!r:.200}")
        return told

    async def _about(self, endpoint: str, access_token: str) -> dict[str, Any]:
        """What the provider tells about who signed on, beside the id_token."""
        try:
            async with self._client() as client:
                answer = await client.get(endpoint, headers={"authorization": f"Bearer {access_token}"})
                return dict(answer.raise_for_status().json())
        except (httpx.HTTPError, ValueError, TypeError) as problem:
            raise SignOnRefused("away", f"the provider does not answer at {endpoint}: {problem}") from problem

    async def _claims(self, answer: Mapping[str, Any], nonce: str) -> CodeIDToken:
        given = answer.get("id_token")
        if not isinstance(given, str):
            raise SignOnRefused("not_valid", "the answer has no id_token")
        try:
            try:
                token = jwt.decode(given, await self._keys(), algorithms=list(SIGNED_WITH))
            except (InvalidKeyIdError, BadSignatureError):
                token = jwt.decode(given, await self._keys(anew=True), algorithms=list(SIGNED_WITH))
            claims = CodeIDToken(
                token.claims,
                token.header,
                {
                    "iss": {"essential": True, "value": self.settings.issuer},
                    "aud": {"essential": True, "value": self.settings.client_id},
                    "nonce": {"essential": True, "value": nonce},
                },
                {
                    "nonce": nonce,
                    "client_id": self.settings.client_id,
                    "access_token": answer.get("access_token"),
                },
            )
            claims.validate(leeway=SKEW_S)
        except (JoseError, ValueError) as problem:
            raise SignOnRefused("not_valid", f"the id_token is not valid: {problem}") from problem
        if time.time() - claims["iat"] > WITHIN_S + SKEW_S:
            raise SignOnRefused("not_valid", "the id_token was issued long ago")
        if not isinstance(claims["sub"], str) or not claims["sub"]:
            raise SignOnRefused("not_valid", "the id_token names no subject")
        return claims

    def _person(self, claims: Mapping[str, Any]) -> Person:
        wanted = self.settings
        name = str(claims.get(wanted.account_claim, "")).lower()
        if not re.fullmatch(ACCOUNT_NAME_PATTERN, name):
            raise SignOnRefused(
                "no_name", f"the claim {wanted.account_claim} is no name of an account: {name!r:.80}"
            )
        roles = [
            wanted.roles[value] for value in values_of(claims, wanted.role_claim) if value in wanted.roles
        ]
        if not roles:
            raise SignOnRefused("no_role", f"{name}: no value of the claim {wanted.role_claim} gives a role")
        sites = {
            site for value in values_of(claims, wanted.site_claim) for site in wanted.sites.get(value, ())
        }
        if not sites:
            raise SignOnRefused("no_site", f"{name}: no value of the claim {wanted.site_claim} gives a site")
        return Person(
            issuer=wanted.issuer,
            subject=claims["sub"],
            account=name,
            role=max(roles, key=lambda role: role.rank),
            sites=None if EVERY_SITE in sites else sorted(sites),
        )

    async def _description(self) -> dict[str, Any]:
        found = await self._read(
            "description", f"{self.settings.issuer.rstrip('/')}/.well-known/openid-configuration", KEPT_S
        )
        if found.get("issuer") != self.settings.issuer:
            raise SignOnRefused(
                "away",
                f"the provider calls itself {found.get('issuer')!r:.100}, the settings {self.settings.issuer}",
            )
        return found

    async def _keys(self, *, anew: bool = False) -> KeySet:
        found = await self._read(
            "keys", (await self._description())["jwks_uri"], ASKED_ANEW_S if anew else KEPT_S
        )
        return KeySet.import_key_set(
            {"keys": [key for key in found.get("keys", ()) if key.get("kty") != "oct"]}
        )

    async def _read(self, what: str, url: str, kept_s: float) -> dict[str, Any]:
        read_at, found = self._kept.get(what, (0.0, {}))
        if found and time.monotonic() - read_at < kept_s:
            return found
        try:
            async with self._client() as client:
                found = dict((await client.get(url)).raise_for_status().json())
        except (httpx.HTTPError, ValueError, TypeError) as problem:
            raise SignOnRefused("away", f"the provider does not answer at {url}: {problem}") from problem
        self._kept[what] = (time.monotonic(), found)
        return found


def values_of(claims: Mapping[str, Any], path: str) -> Iterable[str]:
    """The texts that a claim holds, alone or as a list; dots in the path lead into objects. Nothing where it is absent."""
    found: Any = claims
    for step in [path] if path in claims else path.split("."):
        found = found.get(step) if isinstance(found, Mapping) else None
    several = found if isinstance(found, list) else [found]
    return [value for value in several if isinstance(value, str)]


def local_path(path: str) -> str:
    """A path of this server, for after a sign-on; the first page where it would lead elsewhere."""
    leads_here = (
        path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    )
    return path if leads_here and not urlsplit(path).netloc else "/"
