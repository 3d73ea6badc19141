package server

import (
	"context"
	"slices"
	"strings"

	creepagev1 "creepage/api/creepage/v1"
	"creepage/internal/caller"
	"creepage/internal/problem"
)

// The roles a method is open to, in groups that read as the contract's
// sentences do.
var (
	shop          = []caller.Role{creepagev1.Key_SHOP}
	feeder        = []caller.Role{creepagev1.Key_FEEDER}
	fleet         = []caller.Role{creepagev1.Key_FLEET}
	analyst       = []caller.Role{creepagev1.Key_ANALYST}
	administrator = []caller.Role{creepagev1.Key_ADMINISTRATOR}
	everyone      = slices.Concat(shop, feeder, fleet, analyst, administrator)
	readers       = slices.Concat(fleet, analyst, administrator)
	keepers       = slices.Concat(fleet, administrator)
	bench         = slices.Concat(shop, readers)
)

// roles says who may call what. A method that is not in it is open to nobody;
// a test holds it against the contract.
var roles = map[string][]caller.Role{
	creepagev1.IntakeService_SubmitReadings_FullMethodName: slices.Concat(shop, feeder, administrator),
	creepagev1.IntakeService_StreamReadings_FullMethodName: slices.Concat(shop, feeder, administrator),
	creepagev1.IntakeService_VoidReading_FullMethodName:    slices.Concat(shop, keepers),
	creepagev1.IntakeService_ListConflicts_FullMethodName:  slices.Concat(shop, feeder, readers),

	creepagev1.PlatformService_UpsertPlatform_FullMethodName: administrator,
	creepagev1.PlatformService_GetPlatform_FullMethodName:    everyone,
	creepagev1.PlatformService_ListPlatforms_FullMethodName:  everyone,

	creepagev1.FleetService_ListVehicles_FullMethodName:  readers,
	creepagev1.FleetService_GetVehicle_FullMethodName:    readers,
	creepagev1.FleetService_RenameVehicle_FullMethodName: administrator,
	creepagev1.FleetService_MergeVehicles_FullMethodName: administrator,
	creepagev1.FleetService_RetireVehicle_FullMethodName: administrator,
	creepagev1.FleetService_GetOutlook_FullMethodName:    readers,
	creepagev1.FleetService_ListOutlooks_FullMethodName:  readers,
	creepagev1.FleetService_CountOutlooks_FullMethodName: readers,
	creepagev1.FleetService_ListTracks_FullMethodName:    readers,
	creepagev1.FleetService_ListReadings_FullMethodName:  readers,
	creepagev1.FleetService_CreateRepair_FullMethodName:  keepers,
	creepagev1.FleetService_ListRepairs_FullMethodName:   readers,
	creepagev1.FleetService_ListCodes_FullMethodName:     readers,

	creepagev1.ReviewService_ReviewShops_FullMethodName:  readers,
	creepagev1.ReviewService_ReviewMeters_FullMethodName: readers,
	creepagev1.ReviewService_ReviewAging_FullMethodName:  readers,

	creepagev1.ReviewService_ListParameterSets_FullMethodName: readers,
	creepagev1.ReviewService_GetParameterSet_FullMethodName:   readers,

	creepagev1.WarningService_ListWarnings_FullMethodName:       readers,
	creepagev1.WarningService_GetWarning_FullMethodName:         readers,
	creepagev1.WarningService_AcknowledgeWarning_FullMethodName: keepers,
	creepagev1.WarningService_EndWarning_FullMethodName:         keepers,
	creepagev1.WarningService_RecordFinding_FullMethodName:      keepers,
	creepagev1.WarningService_GetWarningPolicy_FullMethodName:   readers,
	creepagev1.WarningService_SetWarningPolicy_FullMethodName:   administrator,

	creepagev1.WatchService_WatchWarnings_FullMethodName: readers,

	creepagev1.DigestService_CreateDigest_FullMethodName: keepers,
	creepagev1.DigestService_GetDigest_FullMethodName:    keepers,
	creepagev1.DigestService_ListDigests_FullMethodName:  keepers,
	creepagev1.DigestService_UpdateDigest_FullMethodName: keepers,
	creepagev1.DigestService_DeleteDigest_FullMethodName: keepers,
	creepagev1.DigestService_SendDigest_FullMethodName:   keepers,

	creepagev1.WebhookService_CreateWebhookEndpoint_FullMethodName:   administrator,
	creepagev1.WebhookService_GetWebhookEndpoint_FullMethodName:      administrator,
	creepagev1.WebhookService_ListWebhookEndpoints_FullMethodName:    administrator,
	creepagev1.WebhookService_UpdateWebhookEndpoint_FullMethodName:   administrator,
	creepagev1.WebhookService_DeleteWebhookEndpoint_FullMethodName:   administrator,
	creepagev1.WebhookService_RotateWebhookSecret_FullMethodName:     administrator,
	creepagev1.WebhookService_TestWebhookEndpoint_FullMethodName:     administrator,
	creepagev1.WebhookService_ReplayWebhookDeliveries_FullMethodName: administrator,
	creepagev1.WebhookService_GetWebhookDelivery_FullMethodName:      administrator,
	creepagev1.WebhookService_ListWebhookDeliveries_FullMethodName:   administrator,

	creepagev1.BenchService_MakeTestPlan_FullMethodName:      bench,
	creepagev1.BenchService_AssessVisit_FullMethodName:       bench,
	creepagev1.BenchService_PrintTestPlan_FullMethodName:     bench,
	creepagev1.BenchService_PrintVisitRecord_FullMethodName:  bench,
	creepagev1.BenchService_ComputeAbsorption_FullMethodName: bench,
	creepagev1.BenchService_ComputeVoltmeter_FullMethodName:  bench,
	creepagev1.BenchService_LocateLeak_FullMethodName:        bench,

	creepagev1.ErasureService_EraseVehicle_FullMethodName: administrator,
	creepagev1.ErasureService_ErasePerson_FullMethodName:  administrator,

	creepagev1.ReportService_ListReports_FullMethodName:    readers,
	creepagev1.ReportService_GetReport_FullMethodName:      readers,
	creepagev1.ReportService_DownloadReport_FullMethodName: readers,

	creepagev1.ReportScheduleService_CreateReportSchedule_FullMethodName:   readers,
	creepagev1.ReportScheduleService_GetReportSchedule_FullMethodName:      readers,
	creepagev1.ReportScheduleService_ListReportSchedules_FullMethodName:    readers,
	creepagev1.ReportScheduleService_UpdateReportSchedule_FullMethodName:   readers,
	creepagev1.ReportScheduleService_DeleteReportSchedule_FullMethodName:   readers,
	creepagev1.ReportScheduleService_EnableReportSchedule_FullMethodName:   readers,
	creepagev1.ReportScheduleService_DisableReportSchedule_FullMethodName:  readers,
	creepagev1.ReportScheduleService_RunReportSchedule_FullMethodName:      readers,
	creepagev1.ReportScheduleService_GetReportRun_FullMethodName:           readers,
	creepagev1.ReportScheduleService_ListReportRuns_FullMethodName:         readers,
	creepagev1.ReportScheduleService_RetryReportRun_FullMethodName:         readers,
	creepagev1.ReportScheduleService_DownloadReportRun_FullMethodName:      readers,
	creepagev1.ReportScheduleService_ListReportDestinations_FullMethodName: readers,

	creepagev1.AccessService_GetCaller_FullMethodName:         everyone,
	creepagev1.AccessService_CreateShop_FullMethodName:        administrator,
	creepagev1.AccessService_ListShops_FullMethodName:         bench,
	creepagev1.AccessService_UpsertMeter_FullMethodName:       keepers,
	creepagev1.AccessService_ListMeters_FullMethodName:        bench,
	creepagev1.AccessService_RecordCalibration_FullMethodName: keepers,
	creepagev1.AccessService_ListAuditEntries_FullMethodName:  administrator,
	creepagev1.AccessService_CreateKey_FullMethodName:         administrator,
	creepagev1.AccessService_ListKeys_FullMethodName:          administrator,
	creepagev1.AccessService_RevokeKey_FullMethodName:         administrator,
}

// open says whether a method needs no key: health and reflection say nothing
// about anybody.
func open(method string) bool {
	return strings.HasPrefix(method, "/grpc.health.v1.") || strings.HasPrefix(method, "/grpc.reflection.")
}

// authorise is the chain's role check: default deny.
func authorise(ctx context.Context, method string) (context.Context, error) {
	if open(method) {
		return ctx, nil
	}
	c, ok := caller.From(ctx)
	if !ok {
		return nil, problem.Unauthenticated("NO_KEY", "a key is needed: Authorization: Bearer KEY")
	}
	allowed, known := roles[method]
	if !known {
		return nil, noSuchMethod(method)
	}
	if !slices.Contains(allowed, c.Role) {
		return nil, problem.Denied("ROLE_NOT_ALLOWED", "a key of role %s may not call %s; allowed are %s", c.Role, shortName(method), roleWords(allowed)).
			With("role", c.Role.String()).With("method", shortName(method))
	}
	return ctx, nil
}

func roleWords(list []caller.Role) string {
	words := make([]string, len(list))
	for i, r := range list {
		words[i] = r.String()
	}
	return strings.Join(words, ", ")
}

// shortName returns the method's own name.
func shortName(method string) string { return method[strings.LastIndexByte(method, '/')+1:] }
