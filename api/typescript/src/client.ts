/**
 * A typed client of the creepage API. Paths, fields and answers are those of the contract (contract.ts is generated
 * from its OpenAPI document); what stands here adds the key, errors that say why, and patience.
 */
import createClient, { type Client as Calls, type Middleware } from "openapi-fetch";

import type { components, paths } from "./contract.js";

export type { components, operations, paths } from "./contract.js";
export type Reading = components["schemas"]["creepage.v1.Reading"];
export type Outlook = components["schemas"]["creepage.v1.Outlook"];
export type Warning = components["schemas"]["creepage.v1.Warning"];
export type SubmitResult = components["schemas"]["creepage.v1.SubmitResult"];
export type Status = components["schemas"]["google.rpc.Status"];

/** The client's calls: `GET("/v1/outlooks", …)` and so on for every route of the contract. */
export type Client = Calls<paths>;

export interface Options {
  /** Address of the service, such as `https://creepage.example.org`. */
  server: string;
  /** The key's secret. */
  key: string;
  /** How long to keep trying where the service is away, full or asks for patience, in milliseconds; 120 000 unless given. */
  patience?: number;
  /** Longest single try, in milliseconds; 30 000 unless given. */
  timeout?: number;
  /** Told before each new try, with the wait in milliseconds. */
  onRetry?: (why: ServiceError | Error, wait: number) => void;
  /** Another fetch, such as one with a proxy. */
  fetch?: (request: Request) => Promise<Response>;
}

/** What was wrong with one field of a request. */
export interface FieldViolation {
  /** Path, such as `readings[1].resistance_ohms`. */
  field: string;
  /** The value and what is allowed. */
  description: string;
}

/** An answer that is an error: a google.rpc.Status with the details that the service always gives. */
export class ServiceError extends Error {
  /** HTTP status. */
  readonly status: number;
  /** Code of google.rpc.Code. */
  readonly code: number;
  /** Stable reason, such as `INVALID_FIELDS`; empty where a proxy answered and not the service. */
  readonly reason: string;
  /** Fields that are wrong. */
  readonly fields: FieldViolation[];
  /** How long to wait before trying again, in milliseconds; 0 where trying again does not help. */
  readonly retryAfter: number;
  /** The request's id, by which an operator finds it. */
  readonly requestId: string;

  constructor(status: number, body: Status, headers: Headers = new Headers()) {
    super(body.message || `HTTP ${status}`);
    this.name = "ServiceError";
    this.status = status;
    this.code = body.code ?? 0;
    const detail = (type: string): Record<string, any> | undefined => body.details?.find((d) => String(d["@type"]).endsWith("/" + type));
    this.reason = detail("google.rpc.ErrorInfo")?.["reason"] ?? "";
    this.fields = detail("google.rpc.BadRequest")?.["fieldViolations"] ?? [];
    const delay = parseFloat(detail("google.rpc.RetryInfo")?.["retryDelay"] ?? headers.get("retry-after") ?? "0");
    this.retryAfter = Number.isFinite(delay) ? delay * 1000 : 0;
    this.requestId = headers.get("x-request-id") ?? detail("google.rpc.ErrorInfo")?.["metadata"]?.["request_id"] ?? "";
  }
}

/** The error of one rejected reading. */
export function errorOf(result: SubmitResult): ServiceError | undefined {
  return result.error ? new ServiceError(400, result.error) : undefined;
}

/**
 * Makes a client. A call that fails throws a ServiceError. What may be sent again without harm (every GET, and
 * `/v1/readings:submit`, whose readings are known by their identity) is sent again after a broken connection, a 429, 503
 * or 504; anything else after a 429 alone, for that was refused before it was looked at.
 */
export function connect(options: Options): Client {
  const client = createClient<paths>({ baseUrl: options.server.replace(/\/+$/, ""), fetch: patiently(options) });
  const refuse: Middleware = {
    onRequest({ request }) {
      request.headers.set("Authorization", `Bearer ${options.key}`);
      return request;
    },
    async onResponse({ response }) {
      if (!response.ok) throw await problem(response);
    },
  };
  client.use(refuse);
  return client;
}

async function problem(response: Response): Promise<ServiceError> {
  const text = await response.clone().text();
  let body: Status = { code: 0, message: `HTTP ${response.status}: ${text.slice(0, 200)}` };
  try {
    const parsed: unknown = JSON.parse(text);
    if (parsed !== null && typeof parsed === "object" && "code" in parsed) body = parsed as Status;
  } catch {
    // Not JSON: a proxy answered.
  }
  return new ServiceError(response.status, body, response.headers);
}

/** Returns a fetch that tries again where that is harmless and helps. */
function patiently(options: Options): (request: Request) => Promise<Response> {
  const fetch = options.fetch ?? ((request: Request) => globalThis.fetch(request));
  const patience = options.patience ?? 120_000;
  return async (request) => {
    const end = Date.now() + patience;
    const harmless = request.method === "GET" || new URL(request.url).pathname === "/v1/readings:submit";
    for (let attempt = 0; ; attempt++) {
      let why: ServiceError | Error;
      try {
        const signal = AbortSignal.any([request.signal, AbortSignal.timeout(options.timeout ?? 30_000)]);
        const response = await fetch(new Request(request.clone(), { signal }));
        if (response.status !== 429 && !(harmless && (response.status === 503 || response.status === 504))) return response;
        why = await problem(response);
        if (Date.now() >= end) return response;
      } catch (error) {
        why = error as Error;
        if (request.signal.aborted || !harmless || Date.now() >= end) throw why;
      }
      const asked = why instanceof ServiceError ? why.retryAfter : 0;
      const wait = Math.min(Math.max(asked, 100 * 2 ** Math.min(attempt, 6) * (0.5 + Math.random())), Math.max(end - Date.now(), 0));
      options.onRetry?.(why, wait);
      await new Promise((resume) => setTimeout(resume, wait));
    }
  };
}

/** Every page of a list, one after the other. */
export async function* everyPage<Page extends { nextPageToken?: string }>(ask: (pageToken: string) => Promise<{ data?: Page }>): AsyncGenerator<Page> {
  for (let token = ""; ; ) {
    const { data } = await ask(token);
    if (!data) return;
    yield data;
    token = data.nextPageToken ?? "";
    if (token === "") return;
  }
}
