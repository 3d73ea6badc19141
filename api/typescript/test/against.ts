// Drives a running service as an integrator's program would. SERVER and KEY (an administrator's) come from the environment.
import assert from "node:assert/strict";
import { createServer, type Server } from "node:http";
import type { AddressInfo } from "node:net";
import { test } from "node:test";

import { connect, errorOf, everyPage, ServiceError, type Reading } from "../src/client.js";

const server = process.env["SERVER"]!;
const key = process.env["KEY"]!;
const client = connect({ server, key });

const reading = (id: string, ohms: number): Reading => ({
  readingId: id, shop: "shops/quay", vehicle: "vehicles/ferry-1", platform: "platforms/quay-ferry-700", measureTime: "2026-03-02T09:15:00Z",
  method: "TESTER", component: "MOTOR", conductor: "PHASE_U", reference: "CHASSIS", resistanceOhms: ohms, testVolts: 1000, holdSeconds: 60,
});

async function refusal(call: Promise<unknown>): Promise<ServiceError> {
  try {
    await call;
  } catch (error) {
    assert.ok(error instanceof ServiceError, String(error));
    return error;
  }
  assert.fail("the call was not refused");
}

test("a shop and a platform are stated", async () => {
  const { data: caller } = await client.GET("/v1/caller");
  assert.equal(caller?.key?.role, "ADMINISTRATOR");
  await client.POST("/v1/shops", { params: { query: { shopId: "quay" } }, body: { title: "Quay" } });
  const { data: platform } = await client.PUT("/v1/platforms/{platform.name}", {
    params: { path: { "platform.name": "quay-ferry-700" } },
    body: { title: "Quay ferry", maxWorkingVolts: 700, testPoints: [{ component: "MOTOR", conductor: "PHASE_U", reference: "CHASSIS", limitOhms: 1e8, testVolts: 1000 }] },
  });
  // 500 ohm per volt of maximum working voltage: UN R100, ISO 6469-4.
  assert.equal(platform?.effectiveCodeOhms, 350_000);
  const again = await refusal(client.POST("/v1/shops", { params: { query: { shopId: "quay" } }, body: {} }));
  assert.deepEqual([again.status, again.reason], [409, "ALREADY_EXISTS"]);
});

test("readings are answered one by one", async () => {
  const { data } = await client.POST("/v1/readings:submit", { body: { readings: [reading("t-1", 4.2e8), reading("t-2", -5)] } });
  const [good, bad] = data?.results ?? [];
  assert.equal(good?.outcome, "ACCEPTED");
  assert.equal(good?.assessment?.serviceLimit, "MET");
  assert.equal(bad?.outcome, "REJECTED");
  const error = errorOf(bad!);
  assert.equal(error?.reason, "INVALID_FIELDS");
  assert.equal(error?.fields[0]?.field, "readings[1].resistance_ohms");
});

test("the vehicle has an outlook, and the lists are read page by page", async () => {
  const ask = () => client.GET("/v1/vehicles/{name}/outlook", { params: { path: { name: "ferry-1" } } });
  let outlook = undefined;
  for (const end = Date.now() + 30_000; outlook === undefined; ) {
    try {
      outlook = (await ask()).data;
    } catch (error) {
      assert.ok(error instanceof ServiceError && error.reason === "NOT_FOUND" && Date.now() < end, String(error));
      await new Promise((resume) => setTimeout(resume, 50));
    }
  }
  assert.equal(outlook.name, "vehicles/ferry-1/outlook");
  assert.ok(outlook.state && outlook.reason);
  const vehicles: string[] = [];
  let pages = 0;
  for await (const page of everyPage((pageToken) => client.GET("/v1/outlooks", { params: { query: { pageSize: 1, pageToken } } }))) {
    pages++;
    for (const o of page.outlooks ?? []) vehicles.push(o.vehicle ?? "");
  }
  assert.ok(vehicles.includes("vehicles/ferry-1"));
  assert.equal(new Set(vehicles).size, vehicles.length);
  assert.ok(pages >= vehicles.length);
});

test("a refusal says why", async () => {
  const stranger = await refusal(connect({ server, key: "ck_stranger" }).GET("/v1/outlooks"));
  assert.deepEqual([stranger.status, stranger.reason], [401, "INVALID_KEY"]);
  assert.notEqual(stranger.requestId, "");
  const filter = await refusal(client.GET("/v1/outlooks", { params: { query: { filter: "colour = RED" } } }));
  assert.equal(filter.status, 400);
  assert.equal(filter.fields[0]?.field, "filter");
  const nowhere = await refusal(client.GET("/v1/vehicles/{name}", { params: { path: { name: "none" } } }));
  assert.equal(nowhere.reason, "NOT_FOUND");
});

/** A service that is away, then full, then answers. */
async function moody(answers: ((n: number) => [number, Record<string, string>, string] | "cut")): Promise<{ url: string; server: Server; seen: string[] }> {
  const seen: string[] = [];
  const s = createServer((request, response) => {
    let body = "";
    request.on("data", (chunk) => (body += chunk));
    request.on("end", () => {
      seen.push(request.method + " " + body);
      const answer = answers(seen.length);
      if (answer === "cut") return void request.socket.destroy();
      response.writeHead(answer[0], { "content-type": "application/json", ...answer[1] });
      response.end(answer[2]);
    });
  });
  await new Promise<void>((ready) => s.listen(0, "127.0.0.1", ready));
  return { url: `http://127.0.0.1:${(s.address() as AddressInfo).port}`, server: s, seen };
}

test("what may be sent again is sent again, the very same, and nothing else is", async () => {
  const full = JSON.stringify({ code: 8, message: "full", details: [{ "@type": "type.googleapis.com/google.rpc.RetryInfo", retryDelay: "0.010s" }] });
  const away = await moody((n) => n === 1 ? "cut" : n === 2 ? [429, { "retry-after": "1" }, full] : n === 3 ? [503, {}, "no JSON"] : [200, {}, `{"results":[]}`]);
  const waits: number[] = [];
  const patient = connect({ server: away.url, key, onRetry: (_, wait) => waits.push(wait) });
  const { data } = await patient.POST("/v1/readings:submit", { body: { readings: [reading("t-3", 1e9)] } });
  assert.deepEqual(data?.results, []);
  assert.equal(waits.length, 3);
  assert.equal(new Set(away.seen).size, 1);
  assert.ok(away.seen[0]?.includes("t-3"));
  away.seen.length = 0;
  const gone = await moody(() => [503, {}, "gone"]);
  const refused = await refusal(connect({ server: gone.url, key }).POST("/v1/shops", { params: { query: { shopId: "x" } }, body: {} }));
  assert.deepEqual([refused.status, gone.seen.length], [503, 1]);
  for (const s of [away, gone]) s.server.close();
});
