//! The tables as diesel sees them, the same for both databases. Written by hand beside the
//! migrations; the tests compare it with what the migrations really made.

diesel::table! {
    weather_stations (id) {
        id -> BigInt,
        key -> Text,
        name -> Text,
        latitude_degrees -> Double,
        longitude_degrees -> Double,
        elevation_metres -> Nullable<Double>,
        created_at -> Timestamp,
    }
}

diesel::table! {
    branches (id) {
        id -> BigInt,
        key -> Text,
        name -> Text,
        time_zone -> Text,
        station_id -> Nullable<BigInt>,
        temperature_unit -> Text,
        degree_day_base -> Double,
        depot_latitude_degrees -> Nullable<Double>,
        depot_longitude_degrees -> Nullable<Double>,
        postal_address -> Text,
        phone -> Nullable<Text>,
        reply_to -> Nullable<Text>,
        quiet_from -> Nullable<Time>,
        quiet_until -> Nullable<Time>,
        working_weekdays -> Integer,
        mains_hertz -> Double,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    no_cool_calls (id) {
        id -> BigInt,
        branch_id -> BigInt,
        visit_id -> BigInt,
        vulnerabilities -> Text,
        words -> Nullable<Text>,
        called_at -> Timestamp,
        grounds -> Text,
    }
}

diesel::table! {
    slot_holds (id) {
        id -> BigInt,
        branch_id -> BigInt,
        visit_id -> BigInt,
        day -> Date,
        technician_id -> BigInt,
        afternoon -> Bool,
        start_seconds -> Integer,
        latest_seconds -> Integer,
        held_until -> Timestamp,
    }
}

diesel::table! {
    link_generations (id) {
        id -> BigInt,
        branch_id -> BigInt,
        contact_id -> BigInt,
        generation -> Integer,
        raised_at -> Timestamp,
    }
}

diesel::table! {
    branch_stations (id) {
        id -> BigInt,
        branch_id -> BigInt,
        station_id -> BigInt,
    }
}

diesel::table! {
    branch_holidays (id) {
        id -> BigInt,
        branch_id -> BigInt,
        day -> Date,
        name -> Text,
    }
}

diesel::table! {
    technicians (id) {
        id -> BigInt,
        branch_id -> BigInt,
        key -> Text,
        name -> Text,
        email -> Nullable<Text>,
        phone -> Nullable<Text>,
        language -> Text,
        start_latitude_degrees -> Nullable<Double>,
        start_longitude_degrees -> Nullable<Double>,
        active_from -> Nullable<Date>,
        active_until -> Nullable<Date>,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    technician_skills (id) {
        id -> BigInt,
        branch_id -> BigInt,
        technician_id -> BigInt,
        skill -> Text,
    }
}

diesel::table! {
    technician_shifts (id) {
        id -> BigInt,
        branch_id -> BigInt,
        technician_id -> BigInt,
        weekday -> Integer,
        starts -> Time,
        ends -> Time,
    }
}

diesel::table! {
    technician_absences (id) {
        id -> BigInt,
        branch_id -> BigInt,
        technician_id -> BigInt,
        first_day -> Date,
        last_day -> Date,
        reason -> Nullable<Text>,
    }
}

diesel::table! {
    sites (id) {
        id -> BigInt,
        branch_id -> BigInt,
        key -> Text,
        name -> Text,
        address_1 -> Text,
        address_2 -> Nullable<Text>,
        city -> Text,
        region -> Text,
        postal_code -> Text,
        latitude_degrees -> Nullable<Double>,
        longitude_degrees -> Nullable<Double>,
        access_notes -> Nullable<Text>,
        refused_weekdays -> Integer,
        visit_from -> Nullable<Time>,
        visit_until -> Nullable<Time>,
        vulnerability -> Nullable<Text>,
        language -> Text,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
        elevation_metres -> Nullable<Double>,
    }
}

diesel::table! {
    site_absences (id) {
        id -> BigInt,
        branch_id -> BigInt,
        site_id -> BigInt,
        first_day -> Date,
        last_day -> Date,
        reason -> Nullable<Text>,
    }
}

diesel::table! {
    contacts (id) {
        id -> BigInt,
        branch_id -> BigInt,
        key -> Text,
        site_id -> BigInt,
        name -> Text,
        email -> Nullable<Text>,
        phone -> Nullable<Text>,
        role -> Nullable<Text>,
        mail_consent -> Bool,
        consent_at -> Nullable<Timestamp>,
        consent_how -> Nullable<Text>,
        stopped_at -> Nullable<Timestamp>,
        reachable_by_mail -> Bool,
        unreachable_reason -> Nullable<Text>,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    agreements (id) {
        id -> BigInt,
        branch_id -> BigInt,
        key -> Text,
        site_id -> BigInt,
        first_day -> Date,
        last_day -> Nullable<Date>,
        rules -> Text,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    units (id) {
        id -> BigInt,
        branch_id -> BigInt,
        key -> Text,
        site_id -> BigInt,
        kind -> Text,
        label -> Nullable<Text>,
        capacity_watts -> Nullable<Double>,
        installed_earliest -> Nullable<Date>,
        installed_latest -> Nullable<Date>,
        removed_on -> Nullable<Date>,
        exposure -> Text,
        supply_volts -> Double,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    components (id) {
        id -> BigInt,
        branch_id -> BigInt,
        key -> Text,
        unit_id -> BigInt,
        position -> Text,
        class -> Text,
        rating -> Nullable<Text>,
        installed_earliest -> Nullable<Date>,
        installed_latest -> Nullable<Date>,
        observed_from -> Date,
        history_complete -> Bool,
        ended_on -> Nullable<Date>,
        end_kind -> Nullable<Text>,
        last_seen_good_on -> Nullable<Date>,
        replaced_by_id -> Nullable<BigInt>,
        batch -> Nullable<Text>,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    component_sightings (id) {
        id -> BigInt,
        branch_id -> BigInt,
        component_id -> BigInt,
        seen_good_on -> Date,
    }
}

diesel::table! {
    readings (id) {
        id -> BigInt,
        branch_id -> BigInt,
        client_key -> Text,
        component_id -> BigInt,
        taken_on -> Date,
        technician_id -> Nullable<BigInt>,
        taken_at -> Nullable<Timestamp>,
        section -> Text,
        microfarads -> Nullable<Double>,
        volts -> Nullable<Double>,
        amperes -> Nullable<Double>,
        conditions -> Text,
        note -> Nullable<Text>,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    weather_days (id) {
        id -> BigInt,
        station_id -> BigInt,
        day -> Date,
        tmin_celsius -> Nullable<Double>,
        tmax_celsius -> Nullable<Double>,
        source -> Text,
        flag -> Nullable<Text>,
        fetched_at -> Timestamp,
    }
}

diesel::table! {
    weather_day_corrections (id) {
        id -> BigInt,
        station_id -> BigInt,
        day -> Date,
        tmin_celsius -> Nullable<Double>,
        tmax_celsius -> Nullable<Double>,
        source -> Text,
        flag -> Nullable<Text>,
        fetched_at -> Timestamp,
        corrected_at -> Timestamp,
    }
}

diesel::table! {
    weather_forecast_days (id) {
        id -> BigInt,
        station_id -> BigInt,
        issued_at -> Timestamp,
        day -> Date,
        tmin_celsius -> Nullable<Double>,
        tmax_celsius -> Nullable<Double>,
        source -> Text,
        fetched_at -> Timestamp,
    }
}

diesel::table! {
    weather_findings (id) {
        id -> BigInt,
        station_id -> BigInt,
        day -> Nullable<Date>,
        kind -> Text,
        detail -> Text,
        found_at -> Timestamp,
        last_day -> Nullable<Date>,
        value_celsius -> Nullable<Double>,
        expected_low_celsius -> Nullable<Double>,
        expected_high_celsius -> Nullable<Double>,
        remedy -> Nullable<Text>,
    }
}

diesel::table! {
    weather_sources (id) {
        id -> BigInt,
        station_id -> BigInt,
        url -> Text,
        etag -> Nullable<Text>,
        last_modified -> Nullable<Text>,
        stored_at -> Nullable<Timestamp>,
        retry_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    runs (id) {
        id -> BigInt,
        branch_id -> BigInt,
        kind -> Text,
        started_at -> Timestamp,
        finished_at -> Nullable<Timestamp>,
        engine_version -> Text,
        inputs -> Text,
        input_digest -> Text,
        outcome -> Text,
        detail -> Nullable<Text>,
        progress -> Nullable<Double>,
        heard_at -> Nullable<Timestamp>,
        stop_asked_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    scores (id) {
        id -> BigInt,
        branch_id -> BigInt,
        run_id -> BigInt,
        component_id -> BigInt,
        as_of -> Date,
        horizon -> Text,
        p_season -> Double,
        p_season_low -> Double,
        p_season_high -> Double,
        heat_age -> Double,
        expected_heat_left -> Double,
        reasons -> Text,
    }
}

diesel::table! {
    risk_models (id) {
        id -> BigInt,
        branch_id -> BigInt,
        run_id -> BigInt,
        model -> Text,
        created_at -> Timestamp,
    }
}

diesel::table! {
    visits (id) {
        id -> BigInt,
        branch_id -> BigInt,
        agreement_id -> Nullable<BigInt>,
        site_id -> BigInt,
        kind -> Text,
        window_first -> Date,
        window_last -> Date,
        within_first -> Date,
        within_last -> Date,
        days_chosen -> Bool,
        state -> Text,
        day -> Nullable<Date>,
        technician_id -> Nullable<BigInt>,
        starts -> Nullable<Time>,
        ends -> Nullable<Time>,
        duration_seconds -> Integer,
        priority -> Integer,
        reason -> Nullable<Text>,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    visit_events (id) {
        id -> BigInt,
        branch_id -> BigInt,
        visit_id -> BigInt,
        at -> Timestamp,
        who -> Text,
        from_state -> Nullable<Text>,
        to_state -> Text,
        day_before -> Nullable<Date>,
        day_after -> Nullable<Date>,
        technician_before_id -> Nullable<BigInt>,
        technician_after_id -> Nullable<BigInt>,
        why -> Nullable<Text>,
    }
}

diesel::table! {
    visit_results (id) {
        id -> BigInt,
        branch_id -> BigInt,
        visit_id -> BigInt,
        client_key -> Text,
        technician_id -> Nullable<BigInt>,
        payload -> Text,
        received_at -> Timestamp,
    }
}

diesel::table! {
    plans (id) {
        id -> BigInt,
        branch_id -> BigInt,
        run_id -> BigInt,
        state -> Text,
        first_day -> Date,
        last_day -> Date,
        seed -> BigInt,
        objective -> Text,
        figures -> Text,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    plan_stops (id) {
        id -> BigInt,
        branch_id -> BigInt,
        plan_id -> BigInt,
        visit_id -> BigInt,
        day -> Date,
        technician_id -> BigInt,
        place -> Integer,
        arrival_seconds -> Integer,
        start_seconds -> Integer,
        leave_seconds -> Integer,
        pinned -> Bool,
        reason -> Text,
    }
}

diesel::table! {
    plan_routes (id) {
        id -> BigInt,
        branch_id -> BigInt,
        plan_id -> BigInt,
        day -> Date,
        technician_id -> BigInt,
        work_seconds -> Integer,
        travel_seconds -> Integer,
        pause_begins_seconds -> Nullable<Integer>,
        ends_seconds -> Integer,
    }
}

diesel::table! {
    plan_unplaced (id) {
        id -> BigInt,
        branch_id -> BigInt,
        plan_id -> BigInt,
        visit_id -> BigInt,
        reason -> Text,
    }
}

diesel::table! {
    routes (id) {
        id -> BigInt,
        branch_id -> BigInt,
        technician_id -> BigInt,
        day -> Date,
        revision -> Integer,
        plan_id -> Nullable<BigInt>,
        state -> Text,
        created_at -> Timestamp,
    }
}

diesel::table! {
    route_stops (id) {
        id -> BigInt,
        branch_id -> BigInt,
        route_id -> BigInt,
        visit_id -> BigInt,
        place -> Integer,
        arrival_seconds -> Integer,
        start_seconds -> Integer,
        leave_seconds -> Integer,
    }
}

diesel::table! {
    load_lists (id) {
        id -> BigInt,
        branch_id -> BigInt,
        route_id -> BigInt,
        run_id -> Nullable<BigInt>,
        chance_bound -> Double,
        chance_short -> Double,
        created_at -> Timestamp,
    }
}

diesel::table! {
    load_list_lines (id) {
        id -> BigInt,
        branch_id -> BigInt,
        load_list_id -> BigInt,
        class -> Text,
        rating -> Text,
        quantity -> Integer,
        chance_short -> Double,
        why -> Text,
    }
}

diesel::table! {
    notices (id) {
        id -> BigInt,
        branch_id -> BigInt,
        event_key -> Text,
        kind -> Text,
        channel -> Text,
        recipient -> Text,
        contact_id -> Nullable<BigInt>,
        technician_id -> Nullable<BigInt>,
        visit_id -> Nullable<BigInt>,
        language -> Text,
        subject -> Text,
        body_text -> Text,
        body_html -> Nullable<Text>,
        calendar -> Nullable<Text>,
        calendar_sequence -> Nullable<Integer>,
        headers -> Text,
        message_id -> Text,
        state -> Text,
        attempts -> Integer,
        next_attempt_at -> Timestamp,
        claimed_by -> Nullable<Text>,
        claimed_until -> Nullable<Timestamp>,
        last_error -> Nullable<Text>,
        delivered_at -> Nullable<Timestamp>,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    notice_wordings (id) {
        id -> BigInt,
        branch_id -> BigInt,
        kind -> Text,
        language -> Text,
        opening -> Nullable<Text>,
        closing -> Nullable<Text>,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    answers (id) {
        id -> BigInt,
        branch_id -> BigInt,
        visit_id -> Nullable<BigInt>,
        contact_id -> Nullable<BigInt>,
        token_digest -> Nullable<Text>,
        what -> Text,
        detail -> Nullable<Text>,
        at -> Timestamp,
    }
}

diesel::table! {
    accounts (id) {
        id -> BigInt,
        branch_id -> BigInt,
        name -> Text,
        email -> Text,
        role -> Text,
        password_hash -> Nullable<Text>,
        technician_id -> Nullable<BigInt>,
        contact_id -> Nullable<BigInt>,
        disabled -> Bool,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    tokens (id) {
        id -> BigInt,
        branch_id -> BigInt,
        account_id -> BigInt,
        digest -> Text,
        label -> Text,
        scope -> Text,
        created_at -> Timestamp,
        expires_at -> Nullable<Timestamp>,
        last_used_at -> Nullable<Timestamp>,
        revoked_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    audit (id) {
        id -> BigInt,
        branch_id -> BigInt,
        at -> Timestamp,
        account_id -> Nullable<BigInt>,
        action -> Text,
        subject_kind -> Text,
        subject_id -> Nullable<BigInt>,
        before_json -> Nullable<Text>,
        after_json -> Nullable<Text>,
    }
}

diesel::table! {
    job_ledger (id) {
        id -> BigInt,
        branch_id -> BigInt,
        job -> Text,
        due_for -> Timestamp,
        claimed_by -> Nullable<Text>,
        claimed_until -> Nullable<Timestamp>,
        attempts -> Integer,
        started_at -> Nullable<Timestamp>,
        finished_at -> Nullable<Timestamp>,
        outcome -> Nullable<Text>,
        detail -> Nullable<Text>,
    }
}

diesel::table! {
    idempotency_keys (id) {
        id -> BigInt,
        branch_id -> BigInt,
        account_id -> BigInt,
        key -> Text,
        request_digest -> Text,
        status -> Nullable<Integer>,
        response_headers -> Nullable<Text>,
        response_body -> Nullable<Text>,
        created_at -> Timestamp,
    }
}

diesel::table! {
    changes (id) {
        id -> BigInt,
        branch_id -> BigInt,
        resource -> Text,
        resource_id -> BigInt,
        version -> BigInt,
        at -> Timestamp,
    }
}

diesel::table! {
    travel_times (id) {
        id -> BigInt,
        branch_id -> BigInt,
        origin -> BigInt,
        destinations -> Text,
        seconds -> Text,
        fetched_at -> Timestamp,
    }
}

diesel::table! {
    import_previews (id) {
        id -> BigInt,
        branch_id -> BigInt,
        account_id -> BigInt,
        digest -> Text,
        outcome -> Text,
        made_at -> Timestamp,
        expires_at -> Timestamp,
        imported_at -> Nullable<Timestamp>,
    }
}

diesel::table! {
    import_preview_files (id) {
        id -> BigInt,
        branch_id -> BigInt,
        preview_id -> BigInt,
        place -> Integer,
        digest -> Text,
        content -> Binary,
    }
}

diesel::table! {
    photo_contents (id) {
        id -> BigInt,
        branch_id -> BigInt,
        digest -> Text,
        media_type -> Text,
        size_bytes -> BigInt,
        content -> Binary,
    }
}

diesel::table! {
    photos (id) {
        id -> BigInt,
        branch_id -> BigInt,
        visit_id -> BigInt,
        content_id -> BigInt,
        technician_id -> Nullable<BigInt>,
        note -> Nullable<Text>,
        received_at -> Timestamp,
    }
}

diesel::table! {
    subscriptions (id) {
        id -> BigInt,
        branch_id -> BigInt,
        key -> Text,
        url -> Text,
        resources -> Text,
        active -> Bool,
        version -> BigInt,
        created_at -> Timestamp,
        updated_at -> Timestamp,
    }
}

diesel::table! {
    subscription_positions (id) {
        id -> BigInt,
        branch_id -> BigInt,
        subscription_id -> BigInt,
        secret -> Text,
        last_change -> BigInt,
        failures -> Integer,
        next_attempt_at -> Timestamp,
        claimed_by -> Nullable<Text>,
        claimed_until -> Nullable<Timestamp>,
        last_delivered_at -> Nullable<Timestamp>,
        last_error -> Nullable<Text>,
        last_error_at -> Nullable<Timestamp>,
        given_up_at -> Nullable<Timestamp>,
    }
}

diesel::allow_tables_to_appear_in_same_query!(subscriptions, subscription_positions);
diesel::allow_tables_to_appear_in_same_query!(sites, units, components, readings, scores, visits);
diesel::allow_tables_to_appear_in_same_query!(photo_contents, photos);
