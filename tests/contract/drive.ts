// A TypeScript client, typed by the contract alone, does a day's work against the demo named by its --ready file.
import { randomUUID } from "node:crypto";
import { readFileSync } from "node:fs";
import createClient from "openapi-fetch";
import type { components, paths } from "./contract.js";

type Schema = components["schemas"];
interface Ready {
  url: string;
  utility: string;
  keys: { utility: string; tester: string; regulator: string };
  assemblies: Record<string, string>;
  testers: string[];
  gauges: string[];
}

const ready = JSON.parse(readFileSync(process.argv[2] ?? "", "utf8")) as Ready;
const utility = ready.utility;
const client = createClient<paths>({ baseUrl: ready.url, headers: { Authorization: `Bearer ${ready.keys.utility}` } });

/** The body of a good answer as JSON (some calls also offer a text, such as CSV); an error that shows the problem otherwise. */
function must<T>(answer: { data?: T; error?: unknown; response: Response }): Exclude<T, string | undefined> {
  if (answer.data === undefined || typeof answer.data === "string") {
    throw new Error(`${answer.response.status}: ${JSON.stringify(answer.error)}`);
  }
  return answer.data as Exclude<T, string | undefined>;
}

function check(claim: boolean, what: string): void {
  if (!claim) throw new Error(`Not so: ${what}`);
  console.log(`ok  ${what}`);
}

// The first call of the README: judge a test, without a key.
const readings: Schema["Phase"]["readings"] = [
  { component: "air_inlet", opened: true, opened_at: 1.4, opened_fully: true },
  { component: "check", closed_tight: true, held_at: 0.6 },
];
const shutoffs = { inlet: "tight", outlet: "tight" } as const;
const test = {
  rulebook: "us-wa",
  performed_at: "2026-05-14T09:20:00-07:00",
  assembly: { kind: "pvb", hazard: "health" },
  units: { pressure: "psi" },
  initial_test: { shutoffs, readings },
} satisfies Schema["Test"];
const verdict = must(await client.POST("/v1/rules/verdict", { body: test }));
check(verdict.outcome === "fail", "a vacuum breaker whose check holds 0.6 psi fails");

// Register.
const premises = must(
  await client.POST("/v1/utilities/{utility}/premises", {
    params: { path: { utility } },
    body: { name: "Mill Lane Nursery", address: "3 Mill Lane", connection: "non_residential" },
  }),
);
const assembly = must(
  await client.POST("/v1/utilities/{utility}/assemblies", {
    params: { path: { utility } },
    body: { premises_id: premises.id, kind: "pvb", hazard: "health", purpose: "point_of_use", serial_number: `TS-${premises.id}` },
  }),
);
check(assembly.kind === "pvb", "premises and an assembly are registered");

// Change what was registered, by a merge patch and its tag.
const path = { utility, id: assembly.id };
const read = await client.GET("/v1/utilities/{utility}/assemblies/{id}", { params: { path } });
const changed = must(
  await client.PATCH("/v1/utilities/{utility}/assemblies/{id}", {
    params: { path, header: { "If-Match": read.response.headers.get("ETag") ?? "" } },
    body: { position: "Behind the greenhouse", serial_number: null },
    headers: { "Content-Type": "application/merge-patch+json" },
  }),
);
check(changed.position === "Behind the greenhouse" && changed.serial_number === undefined, "a merge patch changes and removes");

/** The whole answer, which comes unless `Prefer: return=minimal` is sent. */
function whole<A extends object>(answer: A): Extract<A, { verdict: unknown }> {
  if (!("verdict" in answer)) throw new Error("The answer in brief was given where the whole was requested.");
  return answer as Extract<A, { verdict: unknown }>;
}

// Report a failing test, twice: the second time changes nothing.
const feed = must(await client.GET("/v1/utilities/{utility}/changes", { params: { path: { utility }, query: { limit: 1 } } }));
check(feed.items.length === 1, "the change feed begins with the first change");
const tested = new Date(Date.now() - 3_600_000).toISOString();
const report = {
  assembly_id: assembly.id,
  tester_id: ready.testers[0] ?? "",
  gauge_id: ready.gauges[0] ?? "",
  performed_at: tested,
  reason: "installation",
  units: { pressure: "psi" },
  initial_test: { shutoffs, readings },
} satisfies Schema["ReportFacts"];
const id = randomUUID();
const first = await client.PUT("/v1/utilities/{utility}/reports/{id}", { params: { path: { utility, id } }, body: report });
const recorded = whole(must(first));
const again = await client.PUT("/v1/utilities/{utility}/reports/{id}", { params: { path: { utility, id } }, body: report });
check(first.response.status === 201 && again.response.status === 200, "a report is recorded once, however often it is sent");
check(recorded.verdict.outcome === "fail", "the report fails");

// Correct it: the check held 1.6, not 0.6.
const corrected = whole(
  must(
    await client.POST("/v1/utilities/{utility}/reports", {
      params: { path: { utility } },
      body: {
        ...report,
        supersedes: id,
        supersedes_because: "The check held 1.6; it was mistyped.",
        initial_test: { shutoffs, readings: [readings[0]!, { component: "check", closed_tight: true, held_at: 1.6 }] },
      },
    }),
  ),
);
check(corrected.verdict.outcome === "pass", "a new report supersedes the first");

// A fault is explained, with a pointer to it.
const bad = await client.POST("/v1/rules/verdict", { body: { ...test, units: {} } as unknown as Schema["Test"] });
check(bad.response.status === 400 && (bad.error?.errors?.length ?? 0) > 0, "a missing unit is refused, with its place");

// Page through.
const seen = new Set<string>();
let after: string | undefined;
for (;;) {
  const page = must(
    await client.GET("/v1/utilities/{utility}/assemblies", {
      params: { path: { utility }, query: { limit: 2, ...(after === undefined ? {} : { after }) } },
    }),
  );
  if (!("items" in page)) throw new Error("A map was answered where a page was requested.");
  for (const item of page.items) seen.add(item.id);
  if (page.next === null) break;
  after = new URL(page.next, ready.url).searchParams.get("after") ?? undefined;
}
check(seen.has(assembly.id) && seen.size > 2, `paging shows every assembly once (${seen.size})`);

// Follow changes to the end; the two reports are among them.
const changes: Schema["Change"][] = [];
let cursor: string | undefined;
for (;;) {
  const page = must(
    await client.GET("/v1/utilities/{utility}/changes", {
      params: { path: { utility }, query: { limit: 500, ...(cursor === undefined ? {} : { after: Number(cursor) }) } },
    }),
  );
  if (page.items.length === 0) break;
  changes.push(...page.items);
  cursor = new URL(page.next, ready.url).searchParams.get("after") ?? undefined;
}
check(changes.filter((change) => change.resource === "reports" && change.id === id).length === 1, "the change feed shows the report once");

// Verify a receipt.
const receipt = must(await client.GET("/v1/utilities/{utility}/reports/{id}/receipt", { params: { path: { utility, id } } }));
const verification = must(await client.POST("/v1/receipts/verify", { body: { receipt: receipt.receipt } }));
check(verification.valid, "the receipt is genuine");
console.log("The TypeScript client is done.");
