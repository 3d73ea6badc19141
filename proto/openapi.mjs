// Prepares the per-topic OpenAPI documents for merging (one wording of google.rpc.Status, which the
// generator writes in two) and gives the merged document its title, sign-in scheme and cautions.
//   node openapi.mjs prepare FILE...    in place
//   node openapi.mjs finish FILE        in place
import { readFileSync, writeFileSync } from "node:fs";

const status = {
  type: "object",
  description: "An error: a code of google.rpc.Code, a message for developers, and details. ErrorInfo is always among the details; invalid fields come with a BadRequest whose paths name them.",
  properties: {
    code: { type: "integer", format: "int32", description: "A code of google.rpc.Code." },
    message: { type: "string", description: "What is wrong, in English." },
    details: {
      type: "array",
      description: "google.rpc.ErrorInfo, google.rpc.BadRequest, google.rpc.RetryInfo.",
      items: { type: "object", properties: { "@type": { type: "string" } }, additionalProperties: true },
    },
  },
};

// A google.api.HttpBody answers with the bytes themselves, not with JSON.
function answerFiles(doc) {
  delete doc.components?.schemas?.["google.api.HttpBody"];
  for (const path of Object.values(doc.paths ?? {})) {
    for (const operation of Object.values(path)) {
      for (const response of Object.values(operation.responses ?? {})) {
        const schema = response.content?.["application/json"]?.schema;
        if (!JSON.stringify(schema ?? {}).includes("google.api.HttpBody")) continue;
        response.description = "The document; Content-Type says in which format.";
        response.content = { "*/*": { schema: { type: "string", format: "binary" } } };
      }
    }
  }
}

const [step, ...files] = process.argv.slice(2);
for (const file of files) {
  const doc = JSON.parse(readFileSync(file, "utf8"));
  if (step === "prepare") {
    if (doc.components?.schemas?.["google.rpc.Status"]) doc.components.schemas["google.rpc.Status"] = status;
    answerFiles(doc);
  } else {
    doc.info = {
      title: "creepage",
      version: "1",
      description:
        "Insulation readings of hybrid and electric vehicles in; isolation-resistance trends and early warnings out. " +
        "High voltage kills: testing is for qualified people only, who follow the vehicle maker's procedure and local codes and prove zero volts. " +
        "The service advises; it never declares a vehicle safe.",
      license: { name: "Apache-2.0", identifier: "Apache-2.0" },
    };
    // Streams are server-sent events (internal/server/watch.go), not the JSON lines of the generator's own.
    for (const methods of Object.values(doc.paths)) {
      for (const { responses } of Object.values(methods)) {
        const stream = responses?.["200"]?.content?.["application/json"]?.schema;
        if (!stream?.title?.startsWith("Stream result of")) continue;
        responses["200"] = {
          description: "Server-sent events: `id` is the cursor, `event` is raised, changed or ended, `data` a creepage.v1.WarningChange in JSON. An event `end` says, as a google.rpc.Status, why the stream ends.",
          content: { "text/event-stream": { schema: { type: "string" } } },
        };
      }
    }
    doc.components.securitySchemes = { key: { type: "http", scheme: "bearer", description: "A key of the organisation." } };
    doc.security = [{ key: [] }];
    // Chapters of the reference: Intake, Fleet, Access.
    const chapter = (name) => name.replace(/Service$/, "");
    doc.tags = doc.tags?.map((tag) => ({ ...tag, name: chapter(tag.name) }));
    for (const path of Object.values(doc.paths)) {
      for (const operation of Object.values(path)) {
        if (operation.tags) operation.tags = operation.tags.map(chapter);
      }
    }
  }
  writeFileSync(file, JSON.stringify(doc, null, 1) + "\n");
}
